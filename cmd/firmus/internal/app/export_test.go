package app

// RunningOut and SignInUntil are tested by themselves: what uses them asks the service.
var (
	RunningOut  = runningOut
	SignInUntil = signInUntil
)
