package config

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"firmus/replicas/named"
)

// maxBytes is more than any configuration has; a recording named by mistake isn't
// read whole.
const maxBytes = 1 << 20

// Load reads and checks the file at path. If the file can be read and something is
// wrong with it the error is an *Error that names every problem; the Config is nil
// with any error.
func Load(path string) (*Config, error) {
	f, err := named.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(text, path)
}

// Parse is Load of a text: file says how messages name it, and in which folder the
// relative paths in it begin. It needn't exist.
func Parse(text []byte, file string) (*Config, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	r := &reader{}
	c := &Config{File: abs}
	if len(text) > maxBytes {
		r.fail(place{1, 1}, "the file is longer than 1 MiB")
	} else if root, p := parse(text); p != nil {
		r.problems = append(r.problems, *p)
	} else {
		r.root = root
		r.table(root, r.top(c))
		setDefaults(c, func(path ...string) bool { return root.find(path...) != nil })
		c.resolve(filepath.Dir(abs), func(path string, at ...string) {
			r.fail(r.at(at...), "%q lacks a backslash after the drive's letter. Write it such as %q", path, path[:2]+`\`+path[2:])
		})
		r.check(c)
	}
	if len(r.problems) == 0 {
		return c, nil
	}
	slices.SortStableFunc(r.problems, func(a, b Problem) int {
		return cmp.Or(a.Line-b.Line, a.Column-b.Column)
	})
	for i := range r.problems {
		r.problems[i].File = file
	}
	return nil, &Error{r.problems}
}

// resolve makes the paths absolute, and says which can't be: "D:masters" of Windows is wherever
// a program last was on that drive.
func (c *Config) resolve(dir string, vague func(path string, at ...string)) {
	abs := func(p *string, at ...string) {
		if *p == "" {
			return
		}
		*p = filepath.FromSlash(*p)
		switch drive := filepath.VolumeName(*p); {
		case filepath.IsAbs(*p):
		case drive != "":
			vague(*p, at...)
			return
		case os.IsPathSeparator((*p)[0]): // of Windows: on the drive that the configuration lies on
			*p = filepath.VolumeName(dir) + *p
		default:
			*p = filepath.Join(dir, *p)
		}
		*p = filepath.Clean(*p)
	}
	abs(&c.State, "state")
	for i := range c.Stores {
		s := &c.Stores[i]
		abs(&s.Credentials, "store", s.Name, "credentials")
		for j := range s.Sets {
			abs(&s.Sets[j].Path, "store", s.Name, "sets", s.Sets[j].Set)
		}
	}
	if c.Mail != nil {
		abs(&c.Mail.PasswordFile, "mail", "password_file")
	}
	if c.Register != nil {
		abs(&c.Register.File, "register", "file")
		abs(&c.Register.PasswordFile, "register", "password_file")
	}
	for i := range c.Work.Sources {
		abs(&c.Work.Sources[i], "work", "sources")
	}
	if c.Web.Certificate != "" {
		abs(&c.Web.Certificate, "web", "certificate")
		abs(&c.Web.Key, "web", "key")
	}
}
