// Package setup makes a configuration from a person's answers. The questions, what is
// proposed, what is written and how stand here once: the terminal ("firmus init") and the
// pages of the first run both ask them.
package setup

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/ledger/private"
	"firmus/replicas/ground"
	"firmus/replicas/named"
)

// None is the answer for what an archive doesn't have.
const None = "none"

// WithoutMasters is what is wrong if there are no masters.
const WithoutMasters = "without a folder of masters there is nothing to keep watch over"

// Kind is what an answer is.
type Kind string

const (
	Text   Kind = "text"
	Folder Kind = "folder"
	File   Kind = "file" // of a secret
)

// Names of the questions.
const (
	Name, Masters, MastersIn, Access                                       = "name", "masters", "masters-in", "access"
	Second, SecondMasters, SecondAccess                                    = "second", "second-masters", "second-access"
	CloudFolder, CloudKey, Drive                                           = "cloud", "cloud-key", "drive"
	MailServer, MailTo, MailFrom, MailUser, MailPassword                   = "mail-server", "mail-to", "mail-from", "mail-user", "mail-password"
	Place, SecondPlace, DiscsPlace                                         = "place", "second-place", "discs-place"
	ownDrive, listen                                                       = "own-drive", "listen"
	stepHoldings, stepSecondIn, stepCloud, stepDiscs, stepMail, stepPlaces = "holdings", "second-in", "cloud", "discs", "letters", "places"
)

// Steps are the groups that questions come in, in their order.
var Steps = []string{stepHoldings, Masters, MastersIn, Access, Second, stepSecondIn, stepCloud, stepDiscs, stepMail, stepPlaces}

// Question is one question as it stands now: what is proposed depends on what was
// answered before.
type Question struct {
	Key, Step string
	Ask       string
	Kind      Kind
	Optional  bool   // None is an answer
	Preset    string // what is proposed
}

// Words is the question with how to say that there is nothing.
func (q Question) Words(none string) string {
	if none == "" {
		return q.Ask
	}
	return q.Ask + ` ("none" ` + none + ")"
}

// Draft is a configuration that is being made. Nothing of it is on a disk before Write.
type Draft struct {
	Path    string // of the configuration
	dir     string // relative paths in it begin here
	given   map[string]string
	secrets map[string][]byte // contents of the files that hold secrets, by question
	// register are the lines about the archive's own log that a person confirmed; "": none.
	register string
}

// New is a draft of the configuration that is to lie at a path.
func New(path string) *Draft {
	return &Draft{Path: path, dir: filepath.Dir(path), given: map[string]string{}, secrets: map[string][]byte{}}
}

// given is an answer, "" for none.
func given(answer string) string {
	if strings.EqualFold(answer, None) {
		return ""
	}
	return answer
}

// Given is what was answered, and whether the question was answered.
func (d *Draft) Given(key string) (string, bool) {
	a, ok := d.given[key]
	return a, ok
}

// Answer takes an answer. What depended on another one is forgotten.
func (d *Draft) Answer(key, answer string) {
	if was, ok := d.given[key]; ok && was != answer {
		for _, on := range map[string][]string{
			Masters: {MastersIn, Access, SecondMasters, SecondAccess}, MastersIn: {Access, SecondMasters}, Access: {SecondAccess},
			Second: {SecondMasters, SecondAccess}, CloudKey: nil,
		}[key] {
			delete(d.given, on)
		}
	}
	d.given[key] = given(answer)
}

// Own says that the second copies count although they lie on the same drive: a trial.
func (d *Draft) Own(yes bool) { d.given[ownDrive] = map[bool]string{true: "yes"}[yes] }

// Owned says that Own was said.
func (d *Draft) Owned() bool { return d.given[ownDrive] != "" }

// Listen says where the pages are served, if not at the usual address.
func (d *Draft) Listen(addr string) { d.given[listen] = addr }

// Keep takes what a file of a secret is to hold; the file is written with the
// configuration.
func (d *Draft) Keep(key string, secret []byte) {
	d.secrets[key] = secret
	d.given[key] = map[string]string{CloudKey: cloudOf(d.given[CloudFolder]).key, MailPassword: "mail-password"}[key]
}

// KeepRegister takes the lines about the register, as a preview of it proposed them and a
// person confirmed them; "" leaves it out.
func (d *Draft) KeepRegister(lines string) { d.register = lines }

// Register are the lines about the register; "": none was confirmed.
func (d *Draft) Register() string { return d.register }

// Kept says that there is a secret.
func (d *Draft) Kept(key string) bool { return len(d.secrets[key]) > 0 }

// answers are what the configuration is written from.
func (d *Draft) answers() answers {
	g := d.given
	s := answers{
		name: g[Name], masters: d.masters(), access: g[Access], vaultMasters: g[SecondMasters], vaultAccess: g[SecondAccess],
		cloud: g[CloudFolder], key: g[CloudKey], drive: g[Drive], server: g[MailServer], from: g[MailFrom], to: g[MailTo],
		user: g[MailUser], password: g[MailPassword], place: g[Place], vaultPlace: g[SecondPlace], discsPlace: g[DiscsPlace],
		ownDrive: g[ownDrive] != "", listen: g[listen], register: d.register,
	}
	if s.cloud == "" {
		s.key = ""
	}
	if s.server == "" || s.user == "" {
		s.user, s.password = "", ""
	}
	if g[Second] == "" {
		s.vaultMasters, s.vaultAccess = "", ""
	}
	if s.access == "" {
		s.vaultAccess = ""
	}
	return s
}

// Masters is the folder of masters, "" while there is none.
func (d *Draft) Masters() string { return d.masters() }

func (d *Draft) masters() string {
	if in, ok := d.given[MastersIn]; ok {
		return in
	}
	return d.given[Masters]
}

// Questions are those that there are to ask after what was answered, in their order.
// Answering one changes only those behind it.
func (d *Draft) Questions() []Question { return d.questions(false) }

// In are the questions of a step. With all, also those that follow from another of the
// same step: a page asks them together.
func (d *Draft) In(step string, all bool) []Question {
	return slices.DeleteFunc(d.questions(all), func(q Question) bool { return q.Step != step })
}

func (d *Draft) questions(all bool) []Question {
	g := d.given
	masters, cloud := d.masters(), cloudOf(g[CloudFolder])
	out := []Question{
		{Name, stepHoldings, "What are the holdings called?", Text, false, "Our sound archive"},
		{Masters, Masters, "In which folder do masters (untouched transfers) arrive?", Folder, false, d.proposed("masters", "studio/masters")},
	}
	add := func(when bool, q Question) {
		if when {
			out = append(out, q)
		}
	}
	in := below(g[Masters], "masters")
	add(g[Masters] != "" && isFolder(d.At(in)), Question{MastersIn, MastersIn, "That folder holds a folder masters. Is it that one, or the whole folder?", Folder, false, in})
	add(true, Question{Access, Access, "In which folder are access files made?", Folder, true, d.proposed(besideOf(masters, "access"), "studio/access")})
	add(true, Question{Second, Second, "Which folder on another drive holds the second copies?", Folder, true, "vault"})
	second := g[Second]
	if second != "" && masters != "" {
		add(true, Question{SecondMasters, stepSecondIn, "Where in it are the copies of the masters?", Folder, true, d.within(second, "masters", masters)})
		preset := ""
		if g[Access] != "" {
			preset = d.within(second, "access", g[Access])
			if g[SecondMasters] == second {
				preset = None // one folder can't lie in the other
			}
		}
		add(g[Access] != "", Question{SecondAccess, stepSecondIn, "Where in it are the copies of the access files?", Folder, true, preset})
	}
	add(true, Question{CloudFolder, stepCloud, "Which cloud folder holds copies? Its address in the browser, its WebDAV address, or s3://HOST/BUCKET/FOLDER", Text, true, None})
	add(all || g[CloudFolder] != "", Question{CloudKey, stepCloud, cloud.ask, File, false, cloud.key})
	add(true, Question{Drive, stepDiscs, "Which drive reads your discs, such as /dev/sr0 or D:?", Text, true, None})
	add(true, Question{MailServer, stepMail, "Which mail server takes letters? Such as mail.example.org:587", Text, true, None})
	if all || g[MailServer] != "" {
		add(true, Question{MailTo, stepMail, "Who gets the letters? Mail addresses, with commas between", Text, false, ""})
		add(true, Question{MailFrom, stepMail, "From which address do they come?", Text, false, strings.TrimSpace(strings.Split(g[MailTo], ",")[0])})
		add(true, Question{MailUser, stepMail, "Which account does the server want?", Text, true, None})
		add(all || g[MailUser] != "", Question{MailPassword, stepMail, "Which file holds its password, and nothing else?", File, false, "mail-password"})
	}
	place := func(when bool, key, of string) {
		add(when, Question{key, stepPlaces, "Where do people find " + of + "? Letters say it, such as: Studio, room 12", Text, true, None})
	}
	place(true, Place, "the drive where new files arrive")
	place(g[SecondMasters] != "" || g[SecondAccess] != "", SecondPlace, "the drive with the second copies")
	place(g[Drive] != "", DiscsPlace, "the discs")
	return out
}

// NoneMeans is how a question's "none" is said, for a terminal.
func NoneMeans(key string) string {
	switch key {
	case Access:
		return "if there are none"
	case Second:
		return "if there are none"
	case CloudFolder, MailServer:
		return "if there is none"
	case Drive:
		return "if you burn no discs"
	case MailUser:
		return "if it wants none"
	}
	return ""
}

// Clean is an answer as it is meant, and what is wrong with it.
func Clean(line string) (answer, wrong string) {
	line = strings.TrimSpace(line)
	for _, mark := range []string{`"`, "'"} { // a path that was copied with its quotes
		if len(line) > 2 && strings.HasPrefix(line, mark) && strings.HasSuffix(line, mark) {
			line = line[1 : len(line)-1]
		}
	}
	if !utf8.ValidString(line) || strings.ContainsFunc(line, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return "", "holds a character that can't be seen"
	}
	return line, ""
}

// wrongPath is what is wrong with how a folder or a file was typed. A path that was copied
// from a configuration or from a browser looks right, and leads nowhere.
func wrongPath(answer string) string {
	if strings.HasPrefix(strings.ToLower(answer), "file:") {
		return `is an address of a browser. Write the path as your file manager shows it, such as D:\masters or /media/drive/masters`
	}
	if len(answer) > 3 && strings.Contains(answer[3:], `\\`) || len(answer) > 2 && answer[1:3] == `:\` && strings.HasPrefix(answer[3:], `\`) {
		return `has doubled backslashes, as some configuration files write them. Write each once, such as ` + strings.ReplaceAll(answer, `\\`, `\`)
	}
	if len(answer) > 2 && answer[1] == ':' && answer[2] != '\\' && answer[2] != '/' {
		return `lacks a backslash after the drive's letter. Write it such as ` + answer[:2] + `\` + answer[2:]
	}
	return ""
}

// Wrong is what is wrong with an answer, "" if it does: the configuration is tried with it
// and with what was answered before.
func (d *Draft) Wrong(q Question, answer string) string {
	if q.Kind != Text {
		if wrong := wrongPath(answer); wrong != "" {
			return wrong
		}
	}
	try := New(d.Path)
	for k, v := range d.given {
		try.given[k] = v
	}
	for key, v := range map[string]string{Name: "x", Masters: "masters", CloudKey: "drive-key.json", MailTo: "archivist@example.org", MailFrom: "archivist@example.org", MailPassword: "mail-password"} {
		if try.given[key] == "" {
			try.given[key] = v
		}
	}
	try.Answer(q.Key, answer)
	if try.masters() == "" {
		return WithoutMasters
	}
	if _, err := try.Config(); err != nil {
		return strings.ReplaceAll(WrongWith(err), "\n", "; ")
	}
	return ""
}

// WrongWith is what is wrong with a configuration that isn't in a file yet.
func WrongWith(err error) string {
	var bad *config.Error
	if !errors.As(err, &bad) {
		return err.Error()
	}
	var lines []string
	for _, p := range bad.Problems {
		lines = append(lines, p.Message)
	}
	return strings.Join(lines, "\n")
}

// Text is the configuration as it would be written.
func (d *Draft) Text() string { return d.answers().text() }

// Config is the configuration as it would be read.
func (d *Draft) Config() (*config.Config, error) { return config.Parse([]byte(d.Text()), d.Path) }

// Try gives a configuration whose secrets lie in files that are gone once do is over, so
// that it can be tried before anything is written.
func (d *Draft) Try(do func(*config.Config) error) error {
	cfg, err := d.Config()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "firmus-setup-") // only its account may look into it
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	for key, secret := range d.secrets {
		at := filepath.Join(dir, key)
		if err := writePrivate(at, secret); err != nil {
			return err
		}
		switch key {
		case MailPassword:
			if cfg.Mail != nil && cfg.Mail.PasswordFile != "" {
				cfg.Mail.PasswordFile = at
			}
		case CloudKey:
			for i := range cfg.Stores {
				if cfg.Stores[i].Kind == config.Cloud {
					cfg.Stores[i].Credentials = at
				}
			}
		}
	}
	return do(cfg)
}

// Lacking are the folders and files of the answers that aren't there.
func (d *Draft) Lacking() []string {
	var out []string
	s := d.answers()
	for _, x := range []struct{ path, secret string }{{s.masters, ""}, {s.access, ""}, {s.vaultMasters, ""}, {s.vaultAccess, ""}, {s.key, CloudKey}, {s.password, MailPassword}} {
		if x.path == "" || x.secret != "" && d.Kept(x.secret) {
			continue
		}
		at := d.At(x.path)
		if _, err := ground.Stat(at); err != nil {
			if abs, err := filepath.Abs(at); err == nil {
				at = abs
			}
			out = append(out, at)
		}
	}
	return out
}

// Makeable are the folders that lack and may be made: those that are to lie in one that is
// there. A drive that isn't plugged in has none, so nothing is made in its place on another.
func (d *Draft) Makeable() (out []string) {
	s := d.answers()
	for _, f := range []string{s.masters, s.access, s.vaultMasters, s.vaultAccess} {
		if f == "" || isFolder(d.At(f)) {
			continue
		}
		up := filepath.Dir(d.At(f))
		if isFolder(up) && up != filepath.Dir(up) && !slices.Contains(mountPoints, up) && !slices.Contains(mountPoints, filepath.Dir(up)) {
			out = append(out, d.At(f))
		}
	}
	return out
}

// mountPoints are where systems lay drives that are plugged in: nothing is made there.
var mountPoints = []string{"/media", "/run/media", "/mnt", "/Volumes"}

// Make makes the folders that Makeable names.
func (d *Draft) Make() error {
	for _, f := range d.Makeable() {
		if err := os.Mkdir(f, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
		if err := private.Flush(filepath.Dir(f)); err != nil {
			return err
		}
	}
	return nil
}

// Exists says that something lies where the configuration is to lie.
func (d *Draft) Exists() bool {
	_, err := os.Lstat(d.Path)
	return err == nil
}

// ErrThere says that a configuration lies at the path already, and was not touched.
var ErrThere = errors.New("is there already; it was not touched")

// Write writes the configuration and the files of its secrets. The configuration comes
// last and in one piece: a crash at any step leaves none, or the whole one with all that it
// names; at most a file of a secret is left that nothing names. One that lies there is not
// replaced (ErrThere).
func (d *Draft) Write(g guarded.Folders) error {
	if d.Exists() {
		return fmt.Errorf("%s %w", d.Path, ErrThere)
	}
	return d.write(g, nil)
}

// Replace is Write over a configuration that lies there, of which a copy is kept first. It
// returns where the copy is.
func (d *Draft) Replace(g guarded.Folders) (kept string, err error) {
	if kept, err = keepCopy(d.Path); err != nil {
		return "", err
	}
	return kept, d.write(g, func([]byte) bool { return true })
}

func (d *Draft) write(g guarded.Folders, over guarded.Own) error {
	if _, err := d.Config(); err != nil {
		return fmt.Errorf("with these answers the configuration would not do, and nothing was written:\n%s: %w", WrongWith(err), fixity.ErrRefused)
	}
	if err := g.Outside(d.Path); err != nil {
		return err
	}
	if err := private.Make(d.dir, 0o755); err != nil {
		return err
	}
	var made []string
	undo := func(err error) error {
		for _, f := range made {
			err = errors.Join(err, os.Remove(f))
		}
		return err
	}
	s := d.answers()
	for _, key := range []string{CloudKey, MailPassword} {
		secret, wanted := d.secrets[key], key == CloudKey && s.key != "" || key == MailPassword && s.password != ""
		if len(secret) == 0 || !wanted {
			continue
		}
		name, err := d.free(d.given[key])
		if err != nil {
			return undo(err)
		}
		if err := writePrivate(filepath.Join(d.dir, name), secret); err != nil {
			return undo(err)
		}
		made = append(made, filepath.Join(d.dir, name))
		d.given[key] = name
	}
	text := d.Text()
	if err := g.Write(d.Path, over, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
		return undo(err)
	}
	return nil
}

// free is a name that nothing has in the configuration's folder.
func (d *Draft) free(name string) (string, error) {
	ext := filepath.Ext(name)
	for i := 1; i < 1000; i++ {
		n := name
		if i > 1 {
			n = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ext), i, ext)
		}
		if _, err := os.Lstat(filepath.Join(d.dir, n)); errors.Is(err, fs.ErrNotExist) {
			return n, nil
		} else if err != nil {
			return "", err
		}
	}
	return "", fmt.Errorf("%s: too many files of that name: %w", filepath.Join(d.dir, name), fixity.ErrRefused)
}

// writePrivate writes a new file that only its account may read. It and its name last.
func writePrivate(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return private.Flush(filepath.Dir(path))
}

// keepCopy keeps a copy of a file beside it, under a name that nothing has.
func keepCopy(path string) (string, error) {
	text, err := named.Read(path, 1<<20)
	if err != nil {
		return "", err
	}
	st, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	// Whole, or under no name that looks whole.
	beside.Clear(filepath.Dir(path), ".firmus-new-")
	temp, err := beside.File(filepath.Dir(path), ".firmus-new-", 0o600)
	if err != nil {
		return "", err
	}
	defer os.Remove(temp.Name())
	defer temp.Close()
	if _, err = temp.Write(text); err == nil {
		err = beside.Written(temp)
	}
	if err = errors.Join(err, os.Chmod(temp.Name(), st.Mode().Perm())); err != nil {
		return "", err
	}
	base := path + "." + st.ModTime().Format("2006-01-02")
	for i := 1; i < 1000; i++ {
		kept := base
		if i > 1 {
			kept = fmt.Sprintf("%s-%d", base, i)
		}
		if _, err := os.Lstat(kept); err != nil {
			return kept, errors.Join(os.Rename(temp.Name(), kept), private.Flush(filepath.Dir(path)))
		}
	}
	return "", fmt.Errorf("%s: too many copies of it are kept: %w", path, fixity.ErrRefused)
}
