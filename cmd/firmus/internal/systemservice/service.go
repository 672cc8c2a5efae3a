package systemservice

// Options say how the service is installed.
type Options struct {
	// Root is where the system's folders lie; "" is the running system. With another
	// one files are written there, and nothing is started.
	Root    string
	Binary  string // absolute path of the program
	Config  string // absolute path of the configuration
	User    string // whose account it runs under
	Group   string // whose people's commands work beside it; "": nobody's
	State   string // absolute folder, which it writes to
	Writes  []string
	Reads   []string
	Devices []string
	// Credentials are secrets that the service manager hands over: name -> file.
	Credentials map[string]string
}

// Status says how the service is.
type Status struct {
	Installed bool   `json:"installed"`
	Running   bool   `json:"running"`
	Enabled   bool   `json:"enabled"` // it starts with the system
	Detail    string `json:"detail"`
	File      string `json:"file"`
}

// Name is the service's name on every system.
const Name = "firmus"
