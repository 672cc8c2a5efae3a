// Package premis writes what happened to files as PREMIS 3.0 (Library of Congress, data
// dictionary of 2015, schema of 18 January 2016): objects, events, agents and rights.
//
// A file that the schema takes may still say nonsense, so the Writer refuses what doesn't
// fit together: an event about an object that isn't there or about none, one that nobody did,
// a second thing by the same identifier, a derivation of nothing, rights that nobody states.
// Agents are written for the events that name them, and no others. In which order events
// come is the caller's to say: the record of an archive whose clock was set back has them so.
package premis

import (
	"encoding/xml"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"firmus/fixity"
)

// Namespace is that of PREMIS 3.
const Namespace = "http://www.loc.gov/premis/v3"

// Object is a file, or what files are a part of.
type Object struct {
	ID     string
	Entity bool   // an item, or all holdings: no file
	Name   string // as it was called
	Size   int64
	// Digests are what the file's bytes have.
	Digests []fixity.Digest
	// Format is what kind of file it is, and FormatNote how that is known.
	Format, FormatNote string
	Facts              [][2]string // significant properties: which, and its value
	At                 []Location
	PartOf             string // the object that it is a part of; "" if none
	From               string // the object that it was made from; "" if that isn't known
	Rights             string // the statement that Restricted wrote, or is about to; "" if none
}

// Location is where the bytes lie.
type Location struct{ Kind, Place, Medium string }

// Event is something that happened to objects.
type Event struct {
	ID      string
	Type    Term
	At      time.Time
	Detail  string
	Outcome Term // zero: nothing says how it came out
	Note    string
	Agents  []AgentLink
	Objects []ObjectLink
}

// AgentLink is who or what took part in an event.
type AgentLink struct {
	Agent
	Role Term
}

// Agent is a person, a program or an organization.
type Agent struct {
	ID, Name string
	Is       Term   // zero: a name that may be a person's, or an account's
	Version  string // of a program; "" if it isn't known
}

// ObjectLink is an object that an event was about. Role may be zero.
type ObjectLink struct {
	ID   string
	Role Term
}

// Rights says that objects aren't for everybody.
type Rights struct {
	ID, Basis, Note string
	Objects         []string
}

// idType is the type of all identifiers: they are this archive's own.
const idType = "local"

// Writer writes one document: first objects, then events, then Close.
type Writer struct {
	w       io.Writer
	enc     *xml.Encoder
	objects map[string]bool
	events  map[string]bool
	agents  map[string]Agent
	rights  []Rights
	refer   []string // to rights
	err     error
}

// NewWriter begins a document.
func NewWriter(w io.Writer) *Writer {
	d := &Writer{w: w, enc: xml.NewEncoder(w), objects: map[string]bool{}, events: map[string]bool{}, agents: map[string]Agent{}}
	d.enc.Indent("  ", "  ")
	_, d.err = io.WriteString(w, xml.Header+`<premis xmlns="`+Namespace+`" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" version="3.0">`+"\n")
	return d
}

func (d *Writer) encode(v any) error {
	if d.err == nil {
		d.err = d.enc.Encode(v)
	}
	if d.err == nil {
		_, d.err = io.WriteString(d.w, "\n")
	}
	return d.err
}

// nonsense ends the document: what comes to it isn't so.
func (d *Writer) nonsense(format string, args ...any) error {
	if d.err == nil {
		d.err = fmt.Errorf("PREMIS: "+format, args...)
	}
	return d.err
}

type objectID struct {
	Type  word   `xml:"objectIdentifierType"`
	Value string `xml:"objectIdentifierValue"`
}

type property struct {
	Type  word   `xml:"significantPropertiesType"`
	Value string `xml:"significantPropertiesValue"`
}

type digest struct {
	Algorithm word   `xml:"messageDigestAlgorithm"`
	Value     string `xml:"messageDigest"`
}

type format struct {
	Name word   `xml:"formatDesignation>formatName"`
	Note string `xml:"formatNote,omitempty"`
}

type characteristics struct {
	Level  string   `xml:"compositionLevel"`
	Fixity []digest `xml:"fixity"`
	Size   int64    `xml:"size"`
	Format format   `xml:"format"`
}

type location struct {
	Type  word   `xml:"contentLocation>contentLocationType"`
	Value string `xml:"contentLocation>contentLocationValue"`
	On    *word  `xml:"storageMedium"`
}

type relation struct {
	Type    word   `xml:"relationshipType"`
	SubType word   `xml:"relationshipSubType"`
	IDType  word   `xml:"relatedObjectIdentifier>relatedObjectIdentifierType"`
	ID      string `xml:"relatedObjectIdentifier>relatedObjectIdentifierValue"`
}

type rightsLink struct {
	Type  word   `xml:"linkingRightsStatementIdentifierType"`
	Value string `xml:"linkingRightsStatementIdentifierValue"`
}

type objectXML struct {
	XMLName    xml.Name         `xml:"object"`
	Kind       string           `xml:"xsi:type,attr"`
	ID         objectID         `xml:"objectIdentifier"`
	Properties []property       `xml:"significantProperties"`
	Is         *characteristics `xml:"objectCharacteristics"`
	Name       string           `xml:"originalName,omitempty"`
	Storage    []location       `xml:"storage"`
	Relations  []relation       `xml:"relationship"`
	Rights     *rightsLink      `xml:"linkingRightsStatementIdentifier"`
}

// Object writes an object. What it is a part of, or was made from, stands before it.
func (d *Writer) Object(o Object) error {
	switch {
	case len(d.events) > 0:
		return d.nonsense("object %s comes after events", o.ID)
	case o.ID == "" || d.objects[o.ID]:
		return d.nonsense("object %q has no identifier of its own", o.ID)
	case !o.Entity && len(o.Digests) == 0:
		return d.nonsense("file %s has no digest", o.ID)
	}
	x := objectXML{Kind: "intellectualEntity", ID: objectID{own(idType), o.ID}, Name: o.Name}
	for _, p := range o.Facts {
		x.Properties = append(x.Properties, property{own(p[0]), p[1]})
	}
	if !o.Entity {
		x.Kind = "file"
		x.Is = &characteristics{Level: "0", Size: o.Size, Format: format{own(o.Format), o.FormatNote}}
		for _, f := range o.Digests {
			t, ok := digests[string(f.Algorithm)]
			if !ok {
				t = Term{Word: string(f.Algorithm)}
			}
			x.Is.Fixity = append(x.Is.Fixity, digest{t.word(), f.Sum})
		}
	}
	for _, l := range o.At {
		s := location{Type: own(l.Kind), Value: l.Place}
		if l.Medium != "" {
			on := own(l.Medium)
			s.On = &on
		}
		x.Storage = append(x.Storage, s)
	}
	// The words of both schemes of relationships are from memory.
	for _, r := range [][3]string{{"structural", "is part of", o.PartOf}, {"derivation", "has source", o.From}} {
		if r[2] == "" {
			continue
		}
		if !d.objects[r[2]] {
			return d.nonsense("object %s %s %s, which isn't there", o.ID, r[1], r[2])
		}
		x.Relations = append(x.Relations, relation{own(r[0]), own(r[1]), own(idType), r[2]})
	}
	if o.Rights != "" {
		x.Rights = &rightsLink{own(idType), o.Rights}
		d.refer = append(d.refer, o.Rights)
	}
	d.objects[o.ID] = true
	return d.encode(x)
}

// Has says that an object was written.
func (d *Writer) Has(id string) bool { return d.objects[id] }

type agentLink struct {
	Type  word   `xml:"linkingAgentIdentifierType"`
	Value string `xml:"linkingAgentIdentifierValue"`
	Role  word   `xml:"linkingAgentRole"`
}

type objectLink struct {
	Type  word   `xml:"linkingObjectIdentifierType"`
	Value string `xml:"linkingObjectIdentifierValue"`
	Role  *word  `xml:"linkingObjectRole"`
}

type outcome struct {
	Is   word    `xml:"eventOutcome"`
	Note *string `xml:"eventOutcomeDetail>eventOutcomeDetailNote"`
}

type eventXML struct {
	XMLName xml.Name     `xml:"event"`
	IDType  word         `xml:"eventIdentifier>eventIdentifierType"`
	ID      string       `xml:"eventIdentifier>eventIdentifierValue"`
	Type    word         `xml:"eventType"`
	At      string       `xml:"eventDateTime"`
	Detail  *string      `xml:"eventDetailInformation>eventDetail"`
	Outcome *outcome     `xml:"eventOutcomeInformation"`
	Agents  []agentLink  `xml:"linkingAgentIdentifier"`
	Objects []objectLink `xml:"linkingObjectIdentifier"`
}

// Event writes an event, after all objects.
func (d *Writer) Event(e Event) error {
	switch {
	case e.ID == "" || d.events[e.ID]:
		return d.nonsense("event %q has no identifier of its own", e.ID)
	case e.Type.Word == "" || e.At.IsZero():
		return d.nonsense("event %s has no type or no time", e.ID)
	case len(e.Objects) == 0:
		return d.nonsense("event %s is about nothing", e.ID)
	case len(e.Agents) == 0:
		return d.nonsense("nobody did event %s", e.ID)
	}
	x := eventXML{IDType: own(idType), ID: e.ID, Type: e.Type.word(), At: e.At.UTC().Format(time.RFC3339)}
	if e.Detail != "" {
		x.Detail = &e.Detail
	}
	if e.Outcome != (Term{}) {
		x.Outcome = &outcome{Is: e.Outcome.word()}
		if e.Note != "" {
			x.Outcome.Note = &e.Note
		}
	}
	for _, a := range e.Agents {
		was, ok := d.agents[a.ID]
		if ok && (was.Name != a.Name || was.Version != a.Version) || a.ID == "" {
			return d.nonsense("agent %q is two", a.ID)
		}
		if was.Is == (Term{}) {
			d.agents[a.ID] = a.Agent
		}
		x.Agents = append(x.Agents, agentLink{own(idType), a.ID, a.Role.word()})
	}
	for _, o := range e.Objects {
		if !d.objects[o.ID] {
			return d.nonsense("event %s is about %s, which isn't there", e.ID, o.ID)
		}
		l := objectLink{Type: own(idType), Value: o.ID}
		if o.Role != (Term{}) {
			r := o.Role.word()
			l.Role = &r
		}
		x.Objects = append(x.Objects, l)
	}
	d.events[e.ID] = true
	return d.encode(x)
}

// Restrict has the document say that objects aren't for everybody.
func (d *Writer) Restrict(r Rights) { d.rights = append(d.rights, r) }

type agentXML struct {
	XMLName xml.Name `xml:"agent"`
	IDType  word     `xml:"agentIdentifier>agentIdentifierType"`
	ID      string   `xml:"agentIdentifier>agentIdentifierValue"`
	Name    word     `xml:"agentName"`
	Is      *word    `xml:"agentType"`
	Version string   `xml:"agentVersion,omitempty"`
}

type rightsXML struct {
	XMLName xml.Name     `xml:"rights"`
	IDType  word         `xml:"rightsStatement>rightsStatementIdentifier>rightsStatementIdentifierType"`
	ID      string       `xml:"rightsStatement>rightsStatementIdentifier>rightsStatementIdentifierValue"`
	Basis   word         `xml:"rightsStatement>rightsBasis"`
	Other   word         `xml:"rightsStatement>otherRightsInformation>otherRightsBasis"`
	Note    string       `xml:"rightsStatement>otherRightsInformation>otherRightsNote"`
	Objects []objectLink `xml:"rightsStatement>linkingObjectIdentifier"`
}

// Close writes the agents that events named, and rights, and ends the document.
func (d *Writer) Close() error {
	if len(d.objects) == 0 {
		return d.nonsense("no object is there") // the schema wants one
	}
	for _, id := range slices.Sorted(maps.Keys(d.agents)) {
		a := d.agents[id]
		x := agentXML{IDType: own(idType), ID: a.ID, Name: own(a.Name), Version: a.Version}
		if a.Is != (Term{}) {
			is := a.Is.word()
			x.Is = &is
		}
		if err := d.encode(x); err != nil {
			return err
		}
	}
	for _, id := range d.refer {
		if !slices.ContainsFunc(d.rights, func(r Rights) bool { return r.ID == id }) {
			return d.nonsense("rights %s are stated nowhere", id)
		}
	}
	for _, r := range d.rights {
		x := rightsXML{IDType: own(idType), ID: r.ID, Basis: own("other"), Other: own(r.Basis), Note: r.Note}
		for _, id := range r.Objects {
			if !d.objects[id] {
				return d.nonsense("rights %s are about %s, which isn't there", r.ID, id)
			}
			x.Objects = append(x.Objects, objectLink{Type: own(idType), Value: id})
		}
		if err := d.encode(x); err != nil {
			return err
		}
	}
	if d.err == nil {
		_, d.err = io.WriteString(d.w, "</premis>\n")
	}
	return d.err
}
