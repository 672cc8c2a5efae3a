package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// Words of the Library of Congress's vocabularies eventType (all that is published; scheme
// modified 24 September 2018) and eventOutcome, by their codes.
var (
	publishedTypes = map[string]string{"acc": "accession", "app": "appraisal", "cap": "capture", "com": "compression", "cop": "compiling", "cre": "creation", "dea": "deaccession",
		"dec": "decompression", "del": "deletion", "der": "decryption", "dig": "digital signature validation", "dis": "dissemination", "dsg": "digital signature generation",
		"dsp": "displaying", "enc": "encryption", "exe": "execution", "exp": "exporting", "ext": "extraction", "ffa": "forensic feature analysis", "fil": "filename change",
		"fix": "fixity check", "for": "format identification", "ima": "imaging", "ine": "ingestion end", "ing": "ingestion", "ins": "ingestion start", "int": "interpreting",
		"ipc": "information package creation", "ipm": "information package merging", "ips": "information package splitting", "mee": "metadata extraction", "mem": "metadata modification",
		"mes": "message digest calculation", "mig": "migration", "mod": "modification", "nor": "normalization", "pac": "packing", "poa": "policy assignment", "prt": "printing",
		"qua": "quarantine", "rec": "recovery", "red": "redaction", "ref": "refreshment", "ren": "rendering", "rep": "replication", "tra": "transfer", "unp": "unpacking",
		"unq": "unquarantine", "val": "validation", "vir": "virus check"}
	publishedOutcomes = map[string]string{"suc": "success", "fai": "fail", "war": "warning"}
)

type premisWord struct {
	URI  string `xml:"valueURI,attr"`
	Text string `xml:",chardata"`
}

// of says that the word is the vocabulary's, by the address that it gives.
func (w premisWord) of(name string, vocabulary map[string]string) bool {
	code, ok := strings.CutPrefix(w.URI, "http://id.loc.gov/vocabulary/preservation/"+name+"/")
	return ok && vocabulary[code] == w.Text
}

type premisObject struct {
	Kind   string `xml:"http://www.w3.org/2001/XMLSchema-instance type,attr"`
	ID     string `xml:"objectIdentifier>objectIdentifierValue"`
	Fixity []struct {
		Algorithm string `xml:"messageDigestAlgorithm"`
		Digest    string `xml:"messageDigest"`
	} `xml:"objectCharacteristics>fixity"`
	Size    int64    `xml:"objectCharacteristics>size"`
	Place   string   `xml:"storage>contentLocation>contentLocationValue"`
	Related []string `xml:"relationship>relatedObjectIdentifier>relatedObjectIdentifierValue"`
	Rights  string   `xml:"linkingRightsStatementIdentifier>linkingRightsStatementIdentifierValue"`
}

type premisDocument struct {
	XMLName xml.Name       `xml:"http://www.loc.gov/premis/v3 premis"`
	Objects []premisObject `xml:"object"`
	Events  []struct {
		ID      string      `xml:"eventIdentifier>eventIdentifierValue"`
		Type    premisWord  `xml:"eventType"`
		At      string      `xml:"eventDateTime"`
		Outcome *premisWord `xml:"eventOutcomeInformation>eventOutcome"`
		Agents  []string    `xml:"linkingAgentIdentifier>linkingAgentIdentifierValue"`
		Objects []string    `xml:"linkingObjectIdentifier>linkingObjectIdentifierValue"`
	} `xml:"event"`
	Agents []struct {
		ID   string `xml:"agentIdentifier>agentIdentifierValue"`
		Name string `xml:"agentName"`
	} `xml:"agent"`
	Rights []struct {
		ID      string   `xml:"rightsStatement>rightsStatementIdentifier>rightsStatementIdentifierValue"`
		Objects []string `xml:"rightsStatement>linkingObjectIdentifier>linkingObjectIdentifierValue"`
	} `xml:"rights"`
}

// premis FILE WORD...: FILE is valid by the published schema, where FIRMUS_STANDARDS names
// the folder that has it, and what it says fits together. It has an event of each type that
// is named, or of a type and an outcome (TYPE:OUTCOME), and none of those behind an "!". Of
// a document in a bag, the files that it places there are what it says of them.
func cmdPremis(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: premis FILE WORD...")
	}
	path := ts.MkAbs(args[0])
	if dir := os.Getenv("FIRMUS_STANDARDS"); dir != "" && runtime.GOOS != "windows" { // xmllint is a program of Linux
		if out, err := exec.Command("xmllint", "--noout", "--nonet", "--schema", filepath.Join(dir, "premis-v3-0.xsd"), path).CombinedOutput(); err != nil {
			ts.Fatalf("xmllint: %v\n%s", err, out)
		}
	}
	b, err := os.ReadFile(path)
	ts.Check(err)
	var d premisDocument
	ts.Check(xml.Unmarshal(b, &d))
	ids := map[string]bool{}
	is := func(what, id string) {
		if id == "" || ids[what+id] {
			ts.Fatalf("%s %q has no identifier of its own", what, id)
		}
		ids[what+id] = true
	}
	there := func(what, id, from string) {
		if !ids[what+id] {
			ts.Fatalf("%s names %s %q, which isn't there", from, what, id)
		}
	}
	for _, r := range d.Rights {
		is("rights", r.ID)
	}
	for _, o := range d.Objects {
		is("object", o.ID)
		for _, r := range o.Related {
			there("object", r, o.ID)
		}
		if o.Rights != "" {
			there("rights", o.Rights, o.ID)
		}
		if o.Kind == "file" && len(o.Fixity) == 0 {
			ts.Fatalf("%s has no digest", o.ID)
		}
		if o.Place == "" {
			continue
		}
		at, err := url.PathUnescape(o.Place)
		ts.Check(err)
		held, err := os.ReadFile(filepath.Join(filepath.Dir(path), "..", filepath.FromSlash(at)))
		ts.Check(err)
		sum := sha256.Sum256(held)
		if int64(len(held)) != o.Size || o.Fixity[0].Algorithm != "SHA-256" || o.Fixity[0].Digest != hex.EncodeToString(sum[:]) {
			ts.Fatalf("%s is not what it says of it", o.Place)
		}
	}
	for _, a := range d.Agents {
		is("agent", a.ID)
	}
	named := map[string]bool{}
	has := map[string]bool{}
	ingested, last := map[string]time.Time{}, time.Time{}
	inBag := slices.ContainsFunc(d.Objects, func(o premisObject) bool { return o.Place != "" })
	for _, e := range d.Events {
		is("event", e.ID)
		if !e.Type.of("eventType", publishedTypes) {
			ts.Fatalf("event type %q (%s) is no published one", e.Type.Text, e.Type.URI)
		}
		has[e.Type.Text] = true
		if e.Outcome != nil {
			if !e.Outcome.of("eventOutcome", publishedOutcomes) {
				ts.Fatalf("outcome %q (%s) is no published one", e.Outcome.Text, e.Outcome.URI)
			}
			has[e.Type.Text+":"+e.Outcome.Text] = true
		} else if e.Type.Text == "fixity check" {
			ts.Fatalf("%s has no outcome", e.ID)
		}
		if len(e.Objects) == 0 || len(e.Agents) == 0 {
			ts.Fatalf("%s, %s: %d objects, %d agents", e.ID, e.Type.Text, len(e.Objects), len(e.Agents))
		}
		at, err := time.Parse(time.RFC3339, e.At)
		ts.Check(err)
		if at.After(time.Now().Add(time.Minute)) || inBag && at.Before(last) {
			ts.Fatalf("%s, %s, of %s comes after one of %s", e.ID, e.Type.Text, e.At, last)
		}
		last = at
		for _, o := range e.Objects {
			there("object", o, e.ID)
			if e.Type.Text == "ingestion" {
				ingested[o] = at
			}
		}
		for _, a := range e.Agents {
			there("agent", a, e.ID)
			named[a] = true
		}
	}
	for _, e := range d.Events {
		at, _ := time.Parse(time.RFC3339, e.At)
		for _, o := range e.Objects {
			if in, ok := ingested[o]; ok && at.Before(in) && !slices.Contains([]string{"transfer", "message digest calculation", "fixity check"}, e.Type.Text) {
				ts.Fatalf("%s, %s: %s was taken in later, %s", e.ID, e.Type.Text, o, in)
			}
		}
	}
	for _, a := range d.Agents {
		if !named[a.ID] {
			ts.Fatalf("agent %s took part in nothing", a.ID)
		}
	}
	for _, r := range d.Rights {
		for _, o := range r.Objects {
			there("object", o, r.ID)
		}
	}
	for _, word := range args[1:] {
		if name, not := strings.CutPrefix(word, "!"); not == has[name] {
			ts.Fatalf("%q: %v", word, has)
		}
	}
}
