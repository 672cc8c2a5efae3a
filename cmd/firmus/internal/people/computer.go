package people

import (
	"os/user"
	"strings"
)

// OfComputer is who acts at this computer by its own account: the person's name if the
// account has one, else the account's.
func OfComputer() string {
	u, err := user.Current()
	if err != nil {
		return "unknown"
	}
	if u.Name != "" && !strings.ContainsAny(u.Name, ",") {
		return u.Name
	}
	return u.Username
}

// Account is the computer's account under which the program runs; "" if the system doesn't
// tell.
func Account() string {
	u, err := user.Current()
	if err != nil {
		return ""
	}
	return u.Username
}
