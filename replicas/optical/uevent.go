package optical

import (
	"bytes"
	"strings"
)

// parseUevent reads a message of Linux's kernel about a device: "ACTION@DEVPATH" and
// pairs NAME=VALUE, each ended by a NUL (kobject_uevent of lib/kobject_uevent.c).
// Messages of programs, which begin with "libudev", and others are refused.
func parseUevent(b []byte) (action string, pairs map[string]string, ok bool) {
	part := bytes.Split(bytes.TrimSuffix(b, []byte{0}), []byte{0})
	action, _, ok = strings.Cut(string(part[0]), "@")
	if !ok || action == "" || strings.ContainsAny(action, "=/ ") {
		return "", nil, false
	}
	pairs = map[string]string{}
	for _, p := range part[1:] {
		if name, value, ok := strings.Cut(string(p), "="); ok {
			pairs[name] = value
		}
	}
	return action, pairs, true
}

// concerns says that a message is about the disc in a drive of this device name
// ("sr0"), and whether it is the eject button.
func concerns(b []byte, device string) (about, button bool) {
	action, p, ok := parseUevent(b)
	if !ok || p["SUBSYSTEM"] != "block" || p["DEVNAME"] != device && p["DEVNAME"] != "/dev/"+device {
		return false, false
	}
	switch action {
	case "add", "remove":
		return true, false
	case "change":
		button = p["DISK_EJECT_REQUEST"] == "1"
		return button || p["DISK_MEDIA_CHANGE"] == "1", button
	}
	return false, false
}
