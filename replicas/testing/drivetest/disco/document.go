// Package disco holds HTTP traffic against the machine-readable description of an
// API that its maker publishes (Google API Discovery Service, "Discovery Document"
// version 1; the file drive-api.json that the client module ships). It never looks
// at the generated client code: a test server whose traffic passes here has been
// compared with the maker's own contract.
//
// What it can't show is meaning: which fields are filled in when, what a query
// finds, which reason an error has.
package disco

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"sort"
	"strings"

	api "google.golang.org/api/drive/v3"
)

// Document is a discovery document.
type Document struct {
	Revision    string
	ServicePath string
	Parameters  map[string]*Param
	Schemas     map[string]*Schema
	Resources   map[string]*resource
	methods     []*Method
}

// Schema describes a JSON value.
type Schema struct {
	Type                 string
	Format               string
	Ref                  string `json:"$ref"`
	Enum                 []string
	Default              string
	Items                *Schema
	Properties           map[string]*Schema
	AdditionalProperties *Schema
}

// Param describes a parameter of a method.
type Param struct {
	Type, Location, Minimum, Maximum string
	Required, Repeated, Deprecated   bool
	Enum                             []string
}

// Method describes a method.
type Method struct {
	ID, HTTPMethod, Path  string
	Parameters            map[string]*Param
	Response              *Schema
	SupportsMediaDownload bool

	path *regexp.Regexp
	vars []string
}

type resource struct {
	Methods   map[string]*Method
	Resources map[string]*resource
}

// Locate is the path of drive-api.json in the client module that this program was
// compiled with, wherever it lay. Of a program compiled with -trimpath it is
// relative to modules, the Go module cache.
func Locate(modules string) (string, error) {
	f := runtime.FuncForPC(reflect.ValueOf(api.NewService).Pointer())
	if f == nil {
		return "", errors.New("discovery document: the client's code is not known")
	}
	file, _ := f.FileLine(f.Entry())
	p := filepath.Join(filepath.Dir(file), "drive-api.json")
	if !filepath.IsAbs(p) {
		p = filepath.Join(modules, p)
	}
	return p, nil
}

// Load reads a discovery document.
func Load(path string) (*Document, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("discovery document: %w", err)
	}
	d := &Document{}
	if err := json.Unmarshal(b, d); err != nil {
		return nil, fmt.Errorf("discovery document %s: %w", path, err)
	}
	if err := d.collect(d.Resources); err != nil {
		return nil, fmt.Errorf("discovery document %s: %w", path, err)
	}
	if len(d.methods) == 0 || len(d.Schemas) == 0 {
		return nil, fmt.Errorf("discovery document %s: no methods or no schemas", path)
	}
	// Literal parts win over variables: files/trash before files/{fileId}.
	sort.Slice(d.methods, func(i, j int) bool {
		a, b := d.methods[i], d.methods[j]
		if len(a.vars) != len(b.vars) {
			return len(a.vars) < len(b.vars)
		}
		return a.ID < b.ID
	})
	return d, nil
}

func (d *Document) collect(rs map[string]*resource) error {
	for _, r := range rs {
		for _, m := range r.Methods {
			if err := m.compile(); err != nil {
				return err
			}
			d.methods = append(d.methods, m)
		}
		if err := d.collect(r.Resources); err != nil {
			return err
		}
	}
	return nil
}

var variable = regexp.MustCompile(`\\\{([a-zA-Z]+)\\\}`)

func (m *Method) compile() (err error) {
	q := regexp.QuoteMeta(m.Path)
	for _, v := range variable.FindAllStringSubmatch(q, -1) {
		m.vars = append(m.vars, v[1])
	}
	m.path, err = regexp.Compile("^" + variable.ReplaceAllString(q, `([^/:]+)`) + "$")
	return err
}

// Methods is how many methods the document has.
func (d *Document) Methods() int { return len(d.methods) }

// Match is the method that a request addresses, nil if there is none, and the
// variables in its path, unescaped.
func (d *Document) Match(httpMethod, escapedPath string) (*Method, map[string]string) {
	rest, ok := strings.CutPrefix(escapedPath, "/"+d.ServicePath)
	if !ok {
		return nil, nil
	}
	for _, m := range d.methods {
		if m.HTTPMethod != httpMethod {
			continue
		}
		if g := m.path.FindStringSubmatch(rest); g != nil {
			vars := map[string]string{}
			for i, n := range m.vars {
				vars[n], _ = url.PathUnescape(g[i+1])
			}
			return m, vars
		}
	}
	return nil, nil
}

func (d *Document) resolve(s *Schema) *Schema {
	for s != nil && s.Ref != "" {
		s = d.Schemas[s.Ref]
	}
	return s
}
