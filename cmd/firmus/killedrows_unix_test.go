//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/fixity/testing/ledgertest"
	"firmus/replicas/testing/drivetest"
)

const killConfig = `name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
manifests = true
sets = { masters = "vault/masters", access = "vault/access" }
[store.discs]
kind = "optical"
[register]
file = "register.csv"
columns = { item = "Number", title = "Title", side = "Side" }
`

const killRegister = "Number,Side,Title\nQV-0101,A,The Miller's Daughter\nQV-0101,B,Three Ravens\nQV-0102,A,A Ploughing Song\nQV-0103,A,Lullaby\n"

// tune is a WAVE file of 44.1 kHz, 16 bit, stereo, with a description or without.
func tune(seed string, ms int, described bool) []byte {
	pcm, extra := soundOf(seed, ms, 1), ""
	if described {
		extra = "LIST\x14\x00\x00\x00INFOINAM\x08\x00\x00\x00A song \x00"
	}
	b := []byte("RIFF")
	b = binary.LittleEndian.AppendUint32(b, uint32(36+len(pcm)+len(extra)))
	b = append(b, "WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x44\xac\x00\x00\x10\xb1\x02\x00\x04\x00\x10\x00"...)
	b = append(b, extra+"data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(pcm)))
	return append(b, pcm...)
}

// killFiles are the recordings of the archive, in both stores.
var killFiles = []string{"masters/QV-0101/QV-0101_A.wav", "masters/QV-0101/QV-0101_B.wav", "masters/QV-0102/QV-0102_A.wav", "masters/QV-0103/QV-0103_A.wav", "masters/QV-0103/QV-0103_B.wav",
	"access/QV-0101/QV-0101_A_01.wav", "access/QV-0102/QV-0102_A_01.wav"}

// makeBase makes an archive that is taken in and audited, with nothing wrong.
func (w *killWorld) makeBase() {
	w.t.Helper()
	for _, p := range []string{"tmp", "home"} {
		if err := os.MkdirAll(filepath.Join(w.dir, p), 0o700); err != nil {
			w.t.Fatal(err)
		}
	}
	w.put("firmus.toml", []byte(killConfig))
	w.put("register.csv", []byte(killRegister))
	for _, f := range killFiles {
		w.put("studio/"+f, tune(f, 700, false))
		w.put("vault/"+f, tune(f, 700, false))
	}
	w.run(0, "intake")
	w.run(0, "audit", "--full")
}

// burn lays an image of a data disc with an item's masters beside the archive.
func (w *killWorld) burn(name string, files ...string) {
	w.t.Helper()
	v := burn.Volume{Label: "QUILLMERE", Made: time.Now()}
	for _, f := range files {
		v.Files = append(v.Files, burn.File{Path: filepath.Base(f), Bytes: w.get(f), Time: time.Now()})
	}
	image, err := burn.Data(v)
	if err != nil {
		w.t.Fatal(err)
	}
	w.put(name, image)
}

// level burns an audio disc whose sound was changed in level.
func (w *killWorld) level(name, seed string, gain float64) {
	w.t.Helper()
	pcm, sheet := burn.Sound(name+".bin", "Quillmere", "", []burn.Track{{PCM: soundOf(seed, 6000, gain)}}, 0)
	w.put(name+".bin", pcm)
	w.put(name+".cue", []byte(sheet))
}

const passwords = "correct horse battery staple\n"

// damage is a week's trouble: of both stores something is damaged, lacks, or came.
func spoiled(w *killWorld) {
	w.flip("vault/masters/QV-0101/QV-0101_A.wav", 70_000)
	w.remove("vault/masters/QV-0102/QV-0102_A.wav")
	w.put("vault/masters/QV-0103/elsewhere.wav", w.get("vault/masters/QV-0103/QV-0103_B.wav"))
	w.remove("vault/masters/QV-0103/QV-0103_B.wav")
	w.put("studio/masters/QV-0103/stray.wav.bak", []byte("not under care"))
	w.put("vault/masters/QV-0103/stray.wav", tune("stray", 200, false))
}

func audited(w *killWorld) { spoiled(w); w.run(1, "audit", "--full") }

// edited is a change of a master in the studio.
func edited(w *killWorld) {
	w.put("studio/masters/QV-0101/QV-0101_A.wav", tune("again", 900, false))
	w.run(1, "audit", "--full")
}

func discAdded(w *killWorld) {
	w.run(0, "disc", "add", "QD-0031", "--twin", "A", "--kind", "data", "--box", "4", "masters/QV-0101")
	w.burn("a.iso", "studio/masters/QV-0101/QV-0101_A.wav", "studio/masters/QV-0101/QV-0101_B.wav")
}

func levelled(w *killWorld) {
	w.put("studio/access/QV-0131/QV-0131_A_01.wav", tune("level", 6000, false))
	w.run(0, "intake")
	w.run(0, "disc", "add", "QD-0051", "--kind", "audio", "access/QV-0131")
	w.level("level", "level", 1.23)
	w.run(1, "disc", "check", "QD-0051", "--image", "level.cue")
}

// withServer starts the server that a ledger is moved to.
func withServer(w *killWorld) {
	w.server = ledgertest.Own(w.t, nil)
	if w.server == nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			w.t.Fatal("PostgreSQL's programs aren't here")
		}
		w.t.Skip("PostgreSQL's programs aren't here")
	}
	w.url = w.server.Place("").URL
}

// database makes the database like another one.
func (w *killWorld) database(like string) {
	w.t.Helper()
	w.server.Psql("firmus", `DROP DATABASE IF EXISTS archive WITH (FORCE)`)
	w.server.Psql("firmus", `CREATE DATABASE archive TEMPLATE `+like)
}

// moved has the configuration say that the ledger is there, or that it is in the state folder.
func (w *killWorld) moved(there bool) {
	w.t.Helper()
	without, with := "[set.masters]\n", fmt.Sprintf("[ledger]\nurl = %q\n[set.masters]\n", w.url)
	if !there {
		without, with = with, without
	}
	w.config(without, with)
}

// clouded has a folder in a cloud, where a file is damaged and another one lacks.
func clouded(w *killWorld) {
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	masters := s.AddFolder(folder, "masters")
	for _, f := range killFiles {
		if p, ok := strings.CutPrefix(f, "masters/"); ok {
			s.Put(masters, p, w.get("studio/"+f))
		}
	}
	w.config("[register]", fmt.Sprintf("[store.cloud]\nkind = \"cloud\"\nservice = \"drive\"\nsets = [\"masters\"]\nfolder = %q\nendpoint = %q\n[register]", folder, s.Endpoint()))
	w.run(0, "audit", "cloud", "--full")
	s.Write(s.Find(masters, "QV-0101/QV-0101_A.wav"), []byte("somebody else's"))
	s.Bin(s.Find(masters, "QV-0102/QV-0102_A.wav"), true)
	w.run(1, "audit", "cloud")
}

// proposed is a retirement that waits for a second person, ordered elsewhere.
func proposed(w *killWorld) {
	w.config("role = \"master\"\n", "role = \"master\"\ntwo_people = true\n")
	for _, n := range []string{"Ada Wren", "Tom Reed"} {
		if exit, said := w.try(passwords, "account", "add", n, "--role", "reviewer"); exit != 0 {
			w.t.Fatal(said)
		}
	}
	w.run(0, "--by", "Ada Wren", "retire", "masters/QV-0103/QV-0103_B.wav", "--reason", "given back")
	w.sql(`UPDATE proposal SET what = replace(what, '"known":"', '"known":"another ')`)
}

// killRows are the commands that write, each in the cases that differ.
var killRows = []killRow{
	{command: "intake", what: "of a new archive", before: func(w *killWorld) { w.remove("state", "*/*/.firmus*", "*/*/*/manifest-sha256.txt") }, night: true},
	{command: "intake", what: "of new files", before: func(w *killWorld) {
		for _, n := range []string{"A", "B", "C"} {
			w.put("studio/masters/QV-0104/QV-0104_"+n+".wav", tune(n, 500, false))
			w.put("vault/masters/QV-0104/QV-0104_"+n+".wav", tune(n, 500, false))
		}
		w.put("studio/masters/QV-0105/QV-0105_A.wav", tune("B", 500, false)[:40_000])
	}, exit: 1, night: true},
	{command: "intake", what: "from manifests", args: []string{"--from-manifests"}, before: func(w *killWorld) { w.remove("state/ledger.db*") }, done: 2, night: true},
	{command: "audit", args: []string{"--full"}, before: spoiled, exit: 1, night: true},
	{command: "recover", what: "of a store", args: []string{"--store", "vault", "--reason", "rot"}, before: audited, done: 1, night: true},
	{command: "recover", what: "by joining", args: []string{"1", "--reason", "rot"}, before: func(w *killWorld) {
		w.flip("vault/masters/QV-0101/QV-0101_A.wav", 70_000)
		w.flip("studio/masters/QV-0101/QV-0101_A.wav", 300)
		w.run(1, "audit", "--full")
	}, done: 2, night: true},
	{command: "recover", what: "from a disc", args: []string{"--store", "studio", "--from", "QD-0031 A", "--image", "a.iso", "--reason", "rot"}, before: func(w *killWorld) {
		discAdded(w)
		w.remove("studio/masters/QV-0101/QV-0101_A.wav", "vault/masters/QV-0101/QV-0101_A.wav")
		w.run(1, "audit")
	}, done: 2, night: true},
	{command: "recover", what: "for a cloud", args: []string{"--store", "cloud", "--to-upload", "uploads"}, before: clouded, exit: 3, done: 2},
	{command: "recover", what: "as a drill", args: []string{"--drill"}, night: true},
	{command: "receive", args: []string{"stick", "--into", "masters/QV-0106", "--sides", "A,B"}, before: func(w *killWorld) {
		w.put("stick/REC001.WAV", tune("r1", 900, false))
		w.put("stick/REC002.WAV", tune("r2", 900, false))
	}, night: true},
	{command: "findings settle", args: []string{"1", "2", "3", "--reason", "known"}, before: audited, done: 2, night: true},
	{command: "findings signoff", what: "of a transfer", args: []string{"1", "--new-transfer", "--reason", "better"}, before: edited, done: 2, night: true},
	{command: "findings signoff", what: "of a reorganisation", args: []string{"--incident", "1", "--files", "22", "--reason", "by box"}, before: func(w *killWorld) {
		for n := range 22 {
			w.put(fmt.Sprintf("studio/masters/QV-0107/QV-0107_%02d.wav", n), tune(fmt.Sprint(n), 10, false))
		}
		w.run(0, "intake")
		if err := os.Rename("studio/masters/QV-0107", "studio/masters/box 4"); err != nil {
			w.t.Fatal(err)
		}
		w.run(1, "audit", "studio")
	}, done: 2, night: true},
	{command: "finish", args: []string{"access/QV-0101"}, night: true},
	{command: "replace", args: []string{"masters/QV-0101/QV-0101_A.wav", "masters/QV-0101/QV-0101_A_described.wav", "--same-samples"}, before: func(w *killWorld) {
		w.put("studio/masters/QV-0101/QV-0101_A_described.wav", tune("masters/QV-0101/QV-0101_A.wav", 700, true))
		w.run(0, "intake")
	}, done: 2, night: true},
	{command: "retire", args: []string{"masters/QV-0103", "--reason", "given back"}, done: 2, night: true},
	{command: "register read", night: true},
	{command: "bag make", args: []string{"studio/masters/QV-0101", "bag"}, done: 2},
	{command: "bag item", args: []string{"QV-0101", "bag", "--restricted"}, done: 2, night: true},
	{command: "manifest write", args: []string{"folder"}, before: func(w *killWorld) {
		w.put("folder/a.wav", tune("a", 3000, false))
		w.put("folder/b/c.wav", tune("c", 3000, false))
	}},
	{command: "manifest write", what: "over another", args: []string{"folder", "--replace"}, before: func(w *killWorld) {
		w.put("folder/a.wav", tune("a", 3000, false))
		w.run(0, "manifest", "write", "folder")
		w.put("folder/b/c.wav", tune("c", 3000, false))
	}},
	{command: "disc add", args: []string{"QD-0031", "--twin", "A", "--kind", "data", "masters/QV-0101"}, done: 2, night: true},
	{command: "disc check", args: []string{"QD-0031", "A", "--image", "a.iso"}, before: func(w *killWorld) {
		discAdded(w)
		b := w.get("a.iso")
		b[bytes.Index(b, w.get("studio/masters/QV-0101/QV-0101_B.wav")[:512])+40_000] ^= 1
		w.put("a.iso", b)
	}, exit: 1},
	{command: "disc decide", args: []string{"QD-0051", "--reason", "burned with levelling"}, before: levelled, done: 2, night: true},
	{command: "disc retire", args: []string{"QD-0031", "A", "--reason", "cracked"}, before: discAdded, done: 2, night: true},
	{command: "disc sample", before: discAdded, night: true},
	{command: "disc sheet", args: []string{"QD-0031", "A", "--html", "burn.html"}, before: discAdded},
	{command: "ledger restore", before: func(w *killWorld) { w.remove("state/ledger.db*") }, done: 2, night: true},
	{command: "ledger move", what: "to PostgreSQL", args: []string{"--to", "URL"}, before: withServer, each: func(w *killWorld) { w.database("template0") }, back: func(w *killWorld) {
		w.moved(true)
		w.run(0, "ledger", "move", "--to", "embedded")
		w.moved(false)
	}, done: 2},
	{command: "ledger move", what: "back", args: []string{"--to", "embedded"}, before: func(w *killWorld) {
		withServer(w)
		w.database("template0")
		w.run(0, "ledger", "move", "--to", w.url)
		w.moved(true)
		w.server.Psql("firmus", `ALTER DATABASE archive RENAME TO moved`)
	}, each: func(w *killWorld) { w.database("moved") }, back: func(w *killWorld) { w.moved(false) }, done: 2},
	{command: "ledger checkpoint", args: []string{"--out", "seal.txt"}, done: 2},
	{command: "ledger verify"},
	{command: "store adopt", args: []string{"vault"}, before: func(w *killWorld) { w.remove("vault/*/.firmus-store.*") }, night: true},
	{command: "store replace", args: []string{"vault", "--reason", "a new drive"}, before: func(w *killWorld) { w.remove("vault/*/.firmus*") }, night: true},
	{command: "store retire", args: []string{"vault", "--reason", "sold"}, done: 2, night: true},
	{command: "store tidy", args: []string{"vault", "--remove"}, before: func(w *killWorld) {
		audited(w)
		w.run(0, "recover", "--store", "vault", "--reason", "rot")
	}},
	{command: "levels state", args: []string{"integrity-1-virus", "--words", "looked at by the office"}},
	{command: "levels withdraw", args: []string{"1", "--reason", "it was wrong"}, before: func(w *killWorld) { w.run(0, "levels", "state", "integrity-1-virus", "--words", "x") }, done: 2},
	{command: "account add", args: []string{"Ada Wren", "--role", "reviewer"}, in: passwords, done: 2},
	{command: "account reset", args: []string{"Ada Wren", "--role", "technician"}, in: passwords, before: func(w *killWorld) { w.try(passwords, "account", "add", "Ada Wren", "--role", "viewer") }},
	{command: "account remove", args: []string{"Ada Wren"}, before: func(w *killWorld) { w.try(passwords, "account", "add", "Ada Wren", "--role", "viewer") }, done: 2},
	{command: "proposal confirm", args: []string{"1", "--by", "Tom Reed"}, before: proposed, done: 2, night: true},
	{command: "proposal take-back", args: []string{"1", "--by", "Ada Wren"}, before: proposed, done: 2},
	{command: "report holdings", args: []string{"--as", "xlsx", "--out", "holdings.xlsx"}},
	{command: "report item", args: []string{"QV-0101", "--as", "html", "--out", "item.html"}},
	{command: "init", args: []string{"new"}, in: strings.Repeat("\n", 30), done: 2},
	{command: "man", args: []string{"pages"}},
	{command: "open"},
}

// onlyShown are the commands that show something, each with what follows it.
var onlyShown = map[string][][]string{
	"account list": {nil}, "bag verify": {{"bag"}}, "check": {nil}, "completion": {{"bash"}}, "disc identify": {{"--image", "a.iso"}}, "disc labels": {nil, {"--as", "text"}}, "disc list": {nil},
	"findings list": {nil}, "findings show": {{"1"}}, "ledger prove": {{"masters/QV-0101/QV-0101_A.wav"}}, "manifest verify": {{"folder"}}, "proposal list": {nil},
	"recognise": {{"folder"}}, "register try": {{"register.csv"}}, "service status": {{"--root", "sys"}}, "store list": {nil}, "version": {nil, {"--licences"}},
	// With --out they are written as report item is.
	"report deskcard": {nil}, "report events": {nil, {"--as", "premis"}}, "report levels": {nil}, "report reels": {nil}, "report takeover": {nil}, "report year": {nil},
}

// notKilled says of the other commands why they aren't killed here.
var notKilled = map[string]string{
	"demo":         "in a folder of its own, which is thrown away",
	"serve":        "the daemon, below",
	"store signin": "asks a service of the net's; what comes of it is written as a sheet is",
}

func init() {
	rows := []killRow{
		{command: "service install", args: []string{"--root", "sys", "--binary", "/usr/local/bin/firmus"}},
		{command: "service install", what: "over another", args: []string{"--root", "sys", "--binary", "/usr/local/bin/firmus", "--group", "archive"}, before: asService},
		{command: "service remove", args: []string{"--root", "sys"}, before: asService, done: 2},
	}
	if runtime.GOOS == "linux" {
		killRows = append(killRows, rows...)
		return
	}
	for _, r := range rows {
		notKilled[r.command] = "the system's own program writes"
	}
}

func asService(w *killWorld) {
	w.run(0, "service", "install", "--root", "sys", "--binary", "/usr/bin/firmus")
	// What an installation left that was cut off.
	w.put("sys/etc/systemd/system/firmus.service.new", []byte("[Un"))
}
