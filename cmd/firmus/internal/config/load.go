package config

import (
	"cmp"
	"fmt"
	"io"
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
		c.resolve(filepath.Dir(abs))
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

// resolve makes the paths absolute.
func (c *Config) resolve(dir string) {
	abs := func(p *string) {
		if *p == "" {
			return
		}
		if *p = filepath.FromSlash(*p); !filepath.IsAbs(*p) {
			*p = filepath.Join(dir, *p)
		}
		*p = filepath.Clean(*p)
	}
	abs(&c.State)
	for i := range c.Stores {
		abs(&c.Stores[i].Credentials)
		for j := range c.Stores[i].Sets {
			abs(&c.Stores[i].Sets[j].Path)
		}
	}
	if c.Mail != nil {
		abs(&c.Mail.PasswordFile)
	}
	if c.Register != nil {
		abs(&c.Register.File)
		abs(&c.Register.PasswordFile)
	}
	for i := range c.Work.Sources {
		abs(&c.Work.Sources[i])
	}
	if c.Web.Certificate != "" {
		abs(&c.Web.Certificate)
		abs(&c.Web.Key)
	}
}
