// Package deploy holds what the program installs: the files beside this one are for
// people, and one of them is written by "firmus service install".
package deploy

import _ "embed"

// Unit is the systemd unit.
//
//go:embed firmus.service
var Unit string
