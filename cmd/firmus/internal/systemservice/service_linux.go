package systemservice

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/deploy"
	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger/private"
)

// Where systemd.unit(5) and sysusers.d(5) look for what an administrator adds.
const (
	unitFile  = "etc/systemd/system/" + Name + ".service"
	dropIn    = "etc/systemd/system/" + Name + ".service.d/here.conf"
	usersFile = "etc/sysusers.d/" + Name + ".conf"
)

// groupName is what systemd takes for the name of a group (systemd.io/USER_NAMES, strict).
var groupName = expr.Once(`^[a-zA-Z_][a-zA-Z0-9_-]{0,30}$`)

// Run runs the daemon in this process.
func Run(ctx context.Context, run func(context.Context) error) error { return run(ctx) }

// Install writes the unit, what is particular to this computer beside it, and the
// account; on the running system it then starts the service. It gives what it wrote.
// Nothing that is there and says something else is replaced but the three files.
func Install(ctx context.Context, o Options) ([]string, error) {
	for _, p := range []string{o.Binary, o.Config, o.State} {
		if !filepath.IsAbs(p) {
			return nil, fmt.Errorf("%q is not an absolute path: %w", p, fixity.ErrRefused)
		}
	}
	if o.Group != "" && !groupName().MatchString(o.Group) {
		return nil, fmt.Errorf("%q can't be the name of a group: %w", o.Group, fixity.ErrRefused)
	}
	here, err := hereOf(o)
	if err != nil {
		return nil, err
	}
	files := []struct{ name, text string }{
		{usersFile, usersOf(o)},
		{unitFile, deploy.Unit},
		{dropIn, here},
	}
	var wrote []string
	for _, f := range files {
		path := o.path(f.name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return wrote, err
		}
		if err := replace(path, f.text); err != nil {
			return wrote, err
		}
		wrote = append(wrote, path)
	}
	if o.Root != "" {
		return wrote, nil
	}
	for _, c := range [][]string{
		{"systemd-sysusers", filepath.Join("/", usersFile)},
		nil, // the account is known now
		{"systemctl", "daemon-reload"},
		{"systemctl", "enable", "--now", Name + ".service"},
	} {
		if c == nil {
			err = takeState(o)
		} else {
			err = call(ctx, c...)
		}
		if err != nil {
			return wrote, err
		}
	}
	return wrote, nil
}

// usersOf are the account and the group, for sysusers.d(5): made if they aren't there.
func usersOf(o Options) string {
	text := fmt.Sprintf("# Type Name ID GECOS Home\nu %s - \"Firmus\" %s\n", o.User, quoted(o.State))
	if o.Group != "" {
		text += fmt.Sprintf("g %s -\nm %s %s\n", o.Group, o.User, o.Group)
	}
	return text
}

// takeState gives the state folder, with what a person's commands have made in it
// before, to the account, and opens it to the group or closes it.
func takeState(o Options) error {
	u, err := user.Lookup(o.User)
	if err != nil {
		return err
	}
	gid := u.Gid
	if o.Group != "" {
		g, err := user.LookupGroup(o.Group)
		if err != nil {
			return err
		}
		gid = g.Gid
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return err
	}
	group, err := strconv.Atoi(gid)
	if err != nil {
		return err
	}
	return private.Take(o.State, uid, group, o.Group != "")
}

// path is where one of the system's files lies.
func (o Options) path(name string) string {
	if o.Root == "" {
		return filepath.Join("/", name)
	}
	return filepath.Join(o.Root, name)
}

// unfinished ends the name of a file until it is whole.
const unfinished = ".new"

// replace writes a file whole or not at all.
func replace(path, text string) error {
	tmp := path + unfinished
	f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return private.Flush(filepath.Dir(path))
}

// hereOf is what is particular to this computer, as a part of the unit.
func hereOf(o Options) (string, error) {
	var b strings.Builder
	b.WriteString("# Written by \"firmus service install\" from the configuration; run it again after\n# stores were added. The unit itself is beside this folder.\n[Service]\n")
	line := func(key, value string) { fmt.Fprintf(&b, "%s=%s\n", key, value) }
	for _, p := range slices.Concat([]string{o.Binary, o.Config, o.State}, o.Writes, o.Reads, o.Devices, slices.Collect(maps.Values(o.Credentials))) {
		if strings.ContainsAny(p, "\n\r\x00") {
			return "", fmt.Errorf("%q can't be part of a unit: %w", p, fixity.ErrRefused)
		}
	}
	line("User", o.User)
	if o.Group != "" {
		line("Group", o.Group)
		line("UMask", "0007") // what it makes is for the group, too; the state folder is 2770
	}
	line("ExecStart", "")
	line("ExecStart", quoted(o.Binary)+" --config "+quoted(o.Config)+" serve")
	line("ReadWritePaths", quoted(o.State))
	for _, p := range o.Writes {
		line("ReadWritePaths", quoted("-"+p)) // a drive that isn't there doesn't keep it from starting
	}
	for _, p := range o.Reads {
		line("ReadOnlyPaths", quoted("-"+p))
	}
	if len(o.Devices) > 0 {
		line("PrivateDevices", "no") // it hides the drive
		line("DevicePolicy", "closed")
		for _, p := range o.Devices {
			line("DeviceAllow", quoted(p)+" r")
		}
		line("SupplementaryGroups", "cdrom")
	}
	for _, n := range slices.Sorted(maps.Keys(o.Credentials)) {
		line("LoadCredential", n+":"+strings.ReplaceAll(o.Credentials[n], "%", "%%"))
	}
	return b.String(), nil
}

// quoted is a path as systemd.syntax(7) reads it: quoted, and % doubled.
func quoted(p string) string {
	p = strings.NewReplacer("%", "%%", `\`, `\\`, `"`, `\"`, "$", "$$").Replace(p)
	if strings.ContainsAny(p, " \t'\"\\;") {
		return `"` + p + `"`
	}
	return p
}

// Remove stops the service and removes what Install wrote. The account, the state
// folder and everything in it stay.
func Remove(ctx context.Context, o Options) ([]string, error) {
	var errs []error
	// Of a service that isn't there systemctl knows nothing, and says so in its own words.
	if _, err := os.Lstat(o.path(unitFile)); o.Root == "" && !errors.Is(err, fs.ErrNotExist) {
		errs = append(errs, call(ctx, "systemctl", "disable", "--now", Name+".service"))
	}
	var gone []string
	for _, f := range []string{dropIn, unitFile, usersFile} {
		path := o.path(f)
		_ = os.Remove(path + unfinished) // of an installation that was cut off
		switch err := os.Remove(path); {
		case err == nil:
			gone = append(gone, path)
		case !errors.Is(err, fs.ErrNotExist):
			errs = append(errs, err)
		}
	}
	_ = os.Remove(o.path(filepath.Dir(dropIn))) // if nobody else put something there
	if o.Root == "" && len(gone) > 0 {
		errs = append(errs, call(ctx, "systemctl", "daemon-reload"))
	}
	if len(gone) == 0 && errors.Join(errs...) == nil {
		return nil, fmt.Errorf("the service is not installed: %w", fixity.ErrNotFound)
	}
	return gone, errors.Join(errs...)
}

// State asks how the service is.
func State(ctx context.Context, o Options) (Status, error) {
	s := Status{File: o.path(unitFile)}
	_, err := os.Stat(s.File)
	if errors.Is(err, fs.ErrNotExist) {
		s.Detail = "not installed"
		return s, nil
	}
	if err != nil {
		return s, err
	}
	s.Installed = true
	if o.Root != "" {
		s.Detail = "its files are there"
		return s, nil
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	ask := func(what string) string {
		out, _ := exec.CommandContext(ctx, "systemctl", what, Name+".service").Output() // the answer is in the text
		return strings.TrimSpace(string(out))
	}
	active, enabled := ask("is-active"), ask("is-enabled")
	s.Running, s.Enabled = active == "active" || active == "reloading", enabled == "enabled"
	s.Detail = strings.Trim(active+", "+enabled, ", ")
	if s.Detail == "" {
		s.Detail = "systemd doesn't answer"
	}
	return s, nil
}

func call(ctx context.Context, c ...string) error {
	out, err := exec.CommandContext(ctx, c[0], c[1:]...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s: %w\n%s", strings.Join(c, " "), err, strings.TrimSpace(string(out)))
	}
	return nil
}
