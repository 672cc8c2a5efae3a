package bag

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/manifest"

	"golang.org/x/text/encoding"
)

// Result is what verifying a bag showed: that of package manifest, and as JSON
// with these fields more:
//
//	"version":"1.0","encoding":"UTF-8","info":[{"label":"Contact-Name","value":"…"}]
type Result struct {
	manifest.Result
	Version  string // of the format, as bagit.txt says; "" without a bagit.txt
	Encoding string // of the tag files, as bagit.txt says
	Info     Info   // elements of bag-info.txt that could be read
}

// MarshalJSON gives the document above; info is never null.
func (r Result) MarshalJSON() ([]byte, error) {
	base, err := json.Marshal(r.Result)
	if err != nil {
		return nil, err
	}
	info := r.Info
	if info == nil {
		info = Info{}
	}
	more, err := json.Marshal(struct {
		Version  string `json:"version"`
		Encoding string `json:"encoding"`
		Info     Info   `json:"info"`
	}{strings.ToValidUTF8(r.Version, "\uFFFD"), strings.ToValidUTF8(r.Encoding, "\uFFFD"), info})
	if err != nil {
		return nil, err
	}
	return append(append(base[:len(base)-1], ','), more[1:]...), nil
}

// Options say how Verify goes about it. The zero value is fine.
type Options struct {
	// Progress, if set, is told each file and the bytes of it that were just read.
	Progress func(path string, bytes int64)
	// System is Go's name of the system whose rules for paths hold; "" is this one.
	System string
}

// Verify reads the bag in f and checks it by RFC 8493, section 3. f must list
// everything: what its listing leaves out can't be judged, and is an error.
//
// Errors are those of manifest.Check: not all could be listed, or read for
// another reason than the medium's. The Result holds what was found in spite of
// one, and is neither valid nor complete then.
func Verify(ctx context.Context, f manifest.Folder, o Options) (Result, error) {
	if o.System == "" {
		o.System = runtime.GOOS
	}
	v := &verifying{f: f, o: o, decl: current, root: map[string]fixity.Entry{}}
	err := v.all(ctx)
	v.fold()
	v.res.Warnings = v.warn.List()
	v.res.Conclude(err == nil)
	return v.res, err
}

type verifying struct {
	f       manifest.Folder
	o       Options
	res     Result
	warn    manifest.Warnings
	decl    Declaration
	enc     encoding.Encoding
	unknown bool // the declared encoding isn't known; enc is UTF-8
	shards  []string
	root    map[string]fixity.Entry // tag files directly in the bag that mean something, and "data"
	oxum    *oxum

	infoName       string
	payloads, tags []manifest.List
}

func (v *verifying) problem(p manifest.Problem) { v.res.Problems = append(v.res.Problems, p) }

func (v *verifying) all(ctx context.Context) error {
	if err := v.look(ctx); err != nil {
		return err
	}
	if err := v.declaration(ctx); err != nil {
		return err
	}
	v.find(ctx)
	if err := v.info(ctx); err != nil {
		return err
	}
	tags := v.checkTags(ctx)
	if ctx.Err() != nil || errors.Is(tags, fixity.ErrAway) {
		return tags
	}
	return errors.Join(tags, v.checkPayload(ctx))
}

// look lists what lies directly in the bag.
func (v *verifying) look(ctx context.Context) error {
	var err error
	if v.shards, err = v.f.Shards(ctx); err != nil {
		return err
	}
	for e, err := range v.f.List(ctx, "") {
		if err != nil {
			if !errors.Is(err, fixity.ErrIncomplete) {
				err = fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
			}
			return err
		}
		_, _, list := manifest.ParseName(e.Path)
		_, _, tag := manifest.ParseTagName(e.Path)
		if list || tag || slices.Contains([]string{declarationName, infoName, oldInfoName, fetchName, payload}, e.Path) {
			v.root[e.Path] = e
		}
	}
	return nil
}

// tagFile opens a tag file that lies directly in the bag. It is nil, without an
// error, if it isn't there; and if it is no file or can't be read, which is told
// as a problem.
func (v *verifying) tagFile(ctx context.Context, name string) (fixity.Reader, error) {
	e, ok := v.root[name]
	if !ok {
		return nil, nil
	}
	if e.Type != fixity.File {
		v.missing(name)
		return nil, nil
	}
	r, err := v.f.Open(ctx, e, 0)
	if err != nil {
		return nil, v.unreadable(name, err)
	}
	return r, nil
}

// unreadable tells of a tag file that the medium won't give; any other error stays.
func (v *verifying) unreadable(name string, err error) error {
	if !errors.Is(err, fixity.ErrUnreadable) || errors.Is(err, fixity.ErrAway) {
		return err
	}
	v.problem(manifest.Problem{Kind: manifest.Unreadable, Path: name, Detail: err.Error()})
	return nil
}

// missing tells of a file or folder directly in the bag that must be there.
func (v *verifying) missing(name string) {
	p := manifest.Problem{Kind: manifest.Missing, Path: name}
	switch e, ok := v.root[name]; {
	case !ok:
	case e.Type == fixity.File:
		p.Detail = "a file lies there instead of a folder"
	case e.Type == fixity.Link:
		p.Kind = manifest.Link
	case e.Type == fixity.Online:
		p.Kind = manifest.Online
	default:
		p.Kind = manifest.Special
	}
	v.problem(p)
}

// maxDeclaration is how much of bagit.txt is read: two short lines.
const maxDeclaration = 64 << 10

// declaration reads bagit.txt. If the encoding it declares isn't known, the other
// tag files are read as if they were in UTF-8: most encodings have ASCII in them.
func (v *verifying) declaration(ctx context.Context) error {
	v.enc, _ = encodingOf(current.Encoding)
	if _, ok := v.root[declarationName]; !ok {
		v.missing(declarationName)
		return nil
	}
	r, err := v.tagFile(ctx, declarationName)
	if err != nil || r == nil {
		return err
	}
	defer r.Close()
	text, err := io.ReadAll(io.LimitReader(r, maxDeclaration))
	if err != nil {
		return v.unreadable(declarationName, err)
	}
	decl, warning, problem := ParseDeclaration(text)
	v.decl = decl
	v.res.Version, v.res.Encoding = decl.Version(), decl.Encoding
	enc, ok := encodingOf(decl.Encoding)
	if !ok {
		// One fault, one problem: what is wrong with the text comes first.
		detail := fmt.Sprintf("encoding %q is not known", decl.Encoding)
		if problem == nil {
			problem = &manifest.Problem{Kind: manifest.Encoding, Path: declarationName, Line: 2, Detail: detail}
		} else {
			problem.Detail += "; " + detail
		}
	}
	if problem != nil {
		v.problem(*problem)
	}
	if warning {
		v.warn.Add(manifest.Warning{Reason: manifest.Spelling, File: declarationName, Line: 1, Detail: "BagIt-version"})
	}
	if v.unknown = !ok; ok {
		v.enc = enc
	}
	return nil
}

// find makes the lists of the manifests that lie in the bag.
func (v *verifying) find(ctx context.Context) {
	for name, e := range v.root {
		a, exact, ok := manifest.ParseName(name)
		ta, texact, tok := manifest.ParseTagName(name)
		if tok {
			a, exact = ta, texact
		}
		if !ok && !tok {
			continue
		}
		switch {
		case e.Type != fixity.File:
			v.missing(name)
			continue
		case a == "":
			v.problem(manifest.Problem{Kind: manifest.Unknown, Path: name})
			continue
		case !exact:
			want := manifest.Name(a)
			if tok {
				want = manifest.TagName(a)
			}
			v.warn.Add(manifest.Warning{Reason: manifest.ListName, File: name, Detail: want})
		}
		if a == fixity.BLAKE3 {
			v.warn.Add(manifest.Warning{Reason: manifest.NotInRFC, File: name})
		}
		l := manifest.List{Name: name, Algorithm: a}
		if tok {
			v.tags = append(v.tags, l)
		} else {
			v.payloads = append(v.payloads, l)
		}
	}
	byName := func(a, b manifest.List) int { return strings.Compare(a.Name, b.Name) }
	slices.SortFunc(v.tags, byName)
	slices.SortFunc(v.payloads, byName)
}

// info reads bag-info.txt.
func (v *verifying) info(ctx context.Context) error {
	v.infoName = infoName
	if _, ok := v.root[oldInfoName]; ok && v.decl.before(0, 96) {
		v.infoName = oldInfoName
	}
	name := v.infoName
	r, err := v.tagFile(ctx, name)
	if err != nil || r == nil {
		return err
	}
	defer r.Close()
	text, marked := decode(r, v.enc)
	if marked {
		v.marked(name)
	}
	odd := 0
	lines := func(yield func(string, error) bool) {
		n := 0
		for line, err := range manifest.TextLines(text) {
			if n++; odd == 0 && bad(line, v.enc) {
				odd = n
			}
			if !yield(line, err) {
				return
			}
		}
	}
	info, problems, err := readInfo(lines, v.decl.before(1, 0))
	if err != nil {
		return v.unreadable(name, err)
	}
	if odd > 0 {
		v.notText(name, odd)
	}
	v.res.Info = info
	var more []manifest.Problem
	v.oxum, more = judgeInfo(info, name, &v.warn)
	for _, p := range append(problems, more...) {
		p.Path = name
		v.problem(p)
	}
	return nil
}

func (v *verifying) marked(name string) {
	v.problem(manifest.Problem{Kind: manifest.Encoding, Path: name, Line: 1, Detail: "it begins with a byte order mark"})
}

func (v *verifying) notText(name string, line int) {
	if v.unknown {
		return
	}
	v.problem(manifest.Problem{Kind: manifest.Encoding, Path: name, Line: line, Detail: "it isn't " + v.decl.Encoding})
}
