package webdav

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"
)

// Bounds of an answer: of one thing's entry, and of how many a folder has.
const (
	maxEntry = 1 << 20
	maxIn    = 1_000_000
)

// asked are the properties that are asked for, by name: servers leave out others.
const asked = `<?xml version="1.0" encoding="utf-8"?>` +
	`<D:propfind xmlns:D="DAV:" xmlns:oc="http://owncloud.org/ns"><D:prop>` +
	`<D:resourcetype/><D:getcontentlength/><D:getlastmodified/><D:creationdate/><D:getetag/><oc:checksums/>` +
	`</D:prop></D:propfind>`

// response is an entry of a multistatus (RFC 4918, section 14.24).
type response struct {
	Hrefs  []string   `xml:"DAV: href"`
	Status string     `xml:"DAV: status"`
	Props  []propstat `xml:"DAV: propstat"`
}

type propstat struct {
	Status string `xml:"DAV: status"`
	Prop   prop   `xml:"DAV: prop"`
}

type prop struct {
	Type *struct {
		Collection *struct{} `xml:"DAV: collection"`
	} `xml:"DAV: resourcetype"`
	Length    *string `xml:"DAV: getcontentlength"`
	Modified  *string `xml:"DAV: getlastmodified"`
	Created   *string `xml:"DAV: creationdate"`
	ETag      *string `xml:"DAV: getetag"`
	Checksums *struct {
		List []string `xml:"http://owncloud.org/ns checksum"`
	} `xml:"http://owncloud.org/ns checksums"`
}

// found is one thing of an answer.
type found struct {
	names []string // from the server's root
	odd   string   // its address where that can't be one: nothing else is said then
	item  cloud.Item
}

// errCut: an answer ended before its end.
var errCut = errors.New("it ends before its end")

// read gives the things of a multistatus as they come. It fails unless the answer is one
// and whole; what was given before is not to be used then.
func read(body io.ReadCloser, f func(found) error) error {
	left := &wire.Body{ReadCloser: body}
	d := xml.NewDecoder(left)
	root, n := false, 0
	for other := 0; ; other++ {
		left.Left = maxEntry
		t, err := d.Token()
		switch {
		case other > 4*n+1000: // what is between the entries
			return wire.ErrTooLong
		case err == io.EOF:
			return errCut
		case err != nil:
			return err
		}
		switch t := t.(type) {
		case xml.StartElement:
			switch {
			case !root && t.Name != xml.Name{Space: "DAV:", Local: "multistatus"}:
				return fmt.Errorf("it is no multistatus but %q", t.Name.Local)
			case !root:
				root = true
			case t.Name == xml.Name{Space: "DAV:", Local: "response"}:
				if n++; n > maxIn {
					return fmt.Errorf("it names more than %d things", maxIn)
				}
				var r response
				if err := d.DecodeElement(&r, &t); err != nil {
					return err
				}
				if err := r.each(f); err != nil {
					return err
				}
			default:
				if err := d.Skip(); err != nil {
					return err
				}
			}
		case xml.EndElement:
			return nil // of the multistatus: all others end above
		}
	}
}

// status is the code of a status line, 0 if it is none.
func status(line string) int {
	f := strings.Fields(line)
	if len(f) < 2 {
		return 0
	}
	n, err := strconv.Atoi(f[1])
	if err != nil {
		return 0
	}
	return n
}

// each gives what an entry tells of. It is of one thing, but for one that has a status for
// several addresses (RFC 4918, section 14.24).
func (r response) each(f func(found) error) error {
	if len(r.Hrefs) == 0 {
		return f(found{odd: "an entry without an address"})
	}
	for _, href := range r.Hrefs {
		all, err := names(href)
		x := found{names: all, odd: href}
		switch {
		case err != nil:
		case len(r.Hrefs) > 1 && r.Status == "":
		default:
			x = r.found(all)
		}
		if err := f(x); err != nil {
			return err
		}
	}
	return nil
}

// found is what an entry says of the thing with those names.
func (r response) found(names []string) (x found) {
	x.names = names
	it := &x.item
	var got prop
	for _, p := range r.Props {
		if status(p.Status) != http.StatusOK {
			continue
		}
		for _, v := range []struct{ to, from **string }{{&got.Length, &p.Prop.Length}, {&got.Modified, &p.Prop.Modified}, {&got.Created, &p.Prop.Created}, {&got.ETag, &p.Prop.ETag}} {
			if *v.from != nil {
				*v.to = *v.from
			}
		}
		if p.Prop.Type != nil {
			got.Type = p.Prop.Type
		}
		if p.Prop.Checksums != nil {
			got.Checksums = p.Prop.Checksums
		}
	}
	if got.Modified != nil {
		it.ModTime, _ = http.ParseTime(strings.TrimSpace(*got.Modified))
		it.ModTime = it.ModTime.UTC()
	}
	if got.Created != nil {
		it.Created, _ = time.Parse(time.RFC3339, strings.TrimSpace(*got.Created))
		it.Created = it.Created.UTC()
	}
	switch {
	case r.Status != "" && status(r.Status)/100 != 2:
		it.Hazy = fmt.Sprintf("the service gives status %d in its place", status(r.Status))
		return x
	case got.Type == nil:
		it.Hazy = "the service doesn't say whether it is a file or a folder"
		return x
	case got.Type.Collection != nil:
		it.Kind, it.Created = cloud.Dir, time.Time{}
		return x
	}
	if got.ETag != nil {
		it.Version = strings.TrimPrefix(strings.TrimSpace(*got.ETag), "W/")
	}
	if it.Version == "" && !it.ModTime.IsZero() {
		it.Version = wire.Dating(it.ModTime)
	}
	if it.Size = -1; got.Length != nil {
		if n, err := strconv.ParseInt(strings.TrimSpace(*got.Length), 10, 64); err == nil {
			it.Size = n
		}
	}
	if it.Size < 0 {
		it.Size, it.Hazy = 0, "the service doesn't say how long it is"
		return x
	}
	if got.Checksums != nil {
		it.Sum = sum(got.Checksums.List)
		if !it.Sum.IsZero() {
			it.Basis = fixity.ByUploader
		}
	}
	return x
}

// sum is the strongest digest of a property checksums that a version is kept with, zero if
// there is none. Servers put all into one element, or one into each.
func sum(list []string) (d fixity.Digest) {
	for _, text := range list {
		for _, word := range strings.Fields(text) {
			name, hex, _ := strings.Cut(word, ":")
			alg := fixity.Algorithm(strings.ReplaceAll(strings.ToLower(name), "-", ""))
			if alg != fixity.SHA256 && alg != fixity.SHA1 && alg != fixity.MD5 {
				continue
			}
			if x, err := fixity.ParseDigest(alg, hex); err == nil && alg.Size() > d.Algorithm.Size() {
				d = x
			}
		}
	}
	return d
}
