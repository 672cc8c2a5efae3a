package app

// RunningOut is tested by itself: what uses it asks the service.
var RunningOut = runningOut
