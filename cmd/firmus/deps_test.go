package main_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// imports says which packages of this module each package's shipped files may
// import. A new edge is a new word here, and a word that nothing needs is taken out.
// Rows for folders that aren't there are let pass.
var imports = map[string]string{
	"fixity":                                "",
	"fixity/audit":                          "fixity fixity/care fixity/damage fixity/digest",
	"fixity/beside":                         "",
	"fixity/care":                           "fixity fixity/essence/sound fixity/expr",
	"fixity/damage":                         "fixity fixity/digest",
	"fixity/digest":                         "fixity fixity/digest/blake3",
	"fixity/digest/blake3":                  "",
	"fixity/essence":                        "fixity fixity/essence/aiff fixity/essence/flac fixity/essence/pcm fixity/essence/riff fixity/essence/sound fixity/essence/walk",
	"fixity/essence/aiff":                   "fixity/essence/pcm fixity/essence/sound fixity/essence/track fixity/essence/walk",
	"fixity/essence/flac":                   "fixity fixity/essence/pcm fixity/essence/sound fixity/essence/track fixity/essence/walk",
	"fixity/essence/pcm":                    "fixity fixity/digest/blake3",
	"fixity/essence/riff":                   "fixity/essence/pcm fixity/essence/sound fixity/essence/track fixity/essence/walk",
	"fixity/essence/sound":                  "fixity",
	"fixity/essence/track":                  "fixity/essence/pcm fixity/essence/sound fixity/essence/walk",
	"fixity/essence/walk":                   "fixity fixity/essence/sound",
	"fixity/expr":                           "",
	"fixity/ledger":                         "fixity fixity/care fixity/damage fixity/digest fixity/essence/sound fixity/ledger/database fixity/ledger/mlog fixity/ledger/private fixity/ledger/record fixity/pair",
	"fixity/ledger/database":                "fixity fixity/ledger/private",
	"fixity/ledger/mlog":                    "",
	"fixity/ledger/private":                 "fixity/beside",
	"fixity/ledger/record":                  "fixity fixity/beside fixity/expr fixity/ledger/database fixity/ledger/mlog fixity/ledger/private",
	"fixity/pair":                           "",
	"fixity/spelling":                       "",
	"fixity/repair":                         "fixity fixity/care fixity/digest",
	"fixity/testing/ledgertest":             "fixity fixity/ledger fixity/ledger/database",
	"manifest":                              "fixity fixity/digest",
	"manifest/bag":                          "fixity fixity/beside fixity/digest fixity/expr manifest",
	"manifest/provided":                     "fixity fixity/expr manifest manifest/bag",
	"replicas/cloud":                        "fixity",
	"replicas/cloud/drive":                  "fixity replicas/cloud replicas/cloud/wire replicas/loopback",
	"replicas/cloud/s3":                     "fixity fixity/expr replicas/cloud replicas/cloud/wire replicas/loopback",
	"replicas/testing/s3test":               "",
	"replicas/cloud/webdav":                 "fixity replicas/cloud replicas/cloud/wire replicas/loopback",
	"replicas/cloud/wire":                   "fixity replicas/cloud replicas/named",
	"replicas/disk":                         "fixity fixity/expr replicas/ground",
	"replicas/ground":                       "fixity",
	"replicas/loopback":                     "",
	"replicas/named":                        "fixity",
	"replicas/optical":                      "fixity replicas/optical/cue replicas/optical/discfs replicas/optical/iso replicas/optical/mmc replicas/optical/scsi replicas/optical/sector replicas/optical/udf",
	"replicas/optical/burned":               "fixity fixity/damage fixity/digest replicas/optical replicas/optical/cdda replicas/optical/discfs replicas/optical/iso replicas/optical/udf",
	"replicas/optical/cue":                  "",
	"replicas/optical/cdda":                 "",
	"replicas/optical/discfs":               "fixity",
	"replicas/optical/iso":                  "fixity replicas/optical/discfs",
	"replicas/optical/mmc":                  "fixity replicas/optical/scsi replicas/optical/sector",
	"replicas/optical/scsi":                 "fixity",
	"replicas/optical/sector":               "",
	"replicas/optical/udf":                  "fixity replicas/optical/discfs",
	"replicas/testing/cloudtest":            "fixity fixity/digest replicas/cloud replicas/cloud/drive replicas/testing/drivetest replicas/testing/drivetest/disco replicas/testing/webtest",
	"replicas/testing/webtest":              "",
	"replicas/testing/discmap":              "replicas/optical",
	"replicas/testing/discfstest":           "fixity replicas/optical/discfs testdata",
	"replicas/testing/drivetest":            "replicas/testing/drivetest/disco",
	"replicas/testing/drivetest/disco":      "",
	"replicas/testing/faulty":               "fixity",
	"replicas/testing/mmctest":              "fixity replicas/optical/mmc replicas/optical/scsi replicas/optical/sector",
	"replicas/testing/replicatest":          "fixity replicas/disk",
	"replicas/testing/vmtest":               "",
	"cmd/firmus":                            "fixity fixity/audit fixity/beside fixity/damage fixity/expr fixity/ledger fixity/repair fixity/spelling manifest manifest/bag replicas/disk replicas/ground replicas/named replicas/optical replicas/optical/burned " + in("acts acts/backups acts/deciding acts/reading acts/receiving acts/recovering app clouds config demo discs discs/checking discs/registering discs/sheets guarded handover metrics outlook pages/site people reels register register/preview register/workbook report setup sheet statements systemservice"),
	"cmd/firmus/internal/outlook":           "fixity fixity/ledger " + in("config report schedule"),
	"cmd/firmus/internal/acts":              "fixity fixity/audit fixity/care fixity/damage fixity/digest fixity/essence fixity/essence/sound fixity/ledger fixity/repair fixity/spelling " + in("acts/archive acts/backups acts/hearing acts/manifests acts/receiving report schedule stores"),
	"cmd/firmus/internal/acts/deciding":     "fixity fixity/audit fixity/care fixity/essence/sound fixity/ledger fixity/spelling " + in("acts acts/archive acts/hearing acts/manifests acts/receiving levels report stores"),
	"cmd/firmus/internal/acts/recovering":   "fixity fixity/care fixity/digest fixity/ledger fixity/ledger/private fixity/repair " + in("acts acts/archive acts/manifests report stores"),
	"cmd/firmus/internal/acts/receiving":    "fixity fixity/audit fixity/care fixity/damage fixity/digest fixity/essence fixity/essence/sound fixity/ledger fixity/spelling manifest manifest/provided " + in("acts/archive acts/backups acts/hearing acts/manifests report stores"),
	"cmd/firmus/internal/acts/manifests":    "fixity fixity/audit fixity/beside fixity/care fixity/digest fixity/ledger fixity/ledger/private manifest " + in("acts/archive report stores"),
	"cmd/firmus/internal/acts/hearing":      "fixity fixity/audit fixity/damage fixity/essence fixity/essence/sound fixity/ledger",
	"cmd/firmus/internal/acts/backups":      "fixity fixity/care fixity/digest fixity/expr fixity/ledger fixity/ledger/private fixity/spelling " + in("acts/archive report stores"),
	"cmd/firmus/internal/acts/archive":      "fixity fixity/audit fixity/beside fixity/care fixity/ledger fixity/ledger/private fixity/spelling " + in("acts/hearing report stores"),
	"cmd/firmus/internal/acts/reading":      "fixity fixity/care fixity/ledger " + in("acts/archive register"),
	"cmd/firmus/internal/handover":          "fixity fixity/essence/sound fixity/ledger " + in("premis register report sheet"),
	"cmd/firmus/internal/premis":            "fixity",
	"cmd/firmus/internal/clips":             "fixity/damage fixity/essence",
	"cmd/firmus/internal/app":               "fixity fixity/audit fixity/care fixity/ledger fixity/ledger/private replicas/cloud replicas/disk replicas/named replicas/optical " + in("acts acts/archive acts/backups acts/deciding acts/hearing acts/reading acts/receiving acts/recovering clouds config discs/checking discs/opening discs/registering guarded hosts letters metrics outlook pages pages/firstrun pages/site people register register/preview register/workbook report schedule setup statements stores watch web"),
	"cmd/firmus/internal/config":            "fixity fixity/care fixity/expr fixity/spelling replicas/ground replicas/loopback replicas/named",
	"cmd/firmus/internal/hosts":             "fixity fixity/expr fixity/ledger " + in("acts hosts/bearing stores"),
	"cmd/firmus/internal/hosts/bearing":     "fixity",
	"cmd/firmus/internal/guarded":           "fixity fixity/beside fixity/ledger/private replicas/disk replicas/ground replicas/named " + in("config"),
	"cmd/firmus/internal/demo":              "fixity fixity/digest replicas/optical/sector replicas/testing/drivetest " + in("demo/burn sheet"),
	"cmd/firmus/internal/demo/burn":         "replicas/optical/sector",
	"cmd/firmus/internal/letters":           "fixity fixity/care fixity/damage fixity/expr fixity/ledger " + in("letters/calendar report"),
	"cmd/firmus/internal/letters/calendar":  "",
	"cmd/firmus/internal/pages/stave":       "fixity/damage " + in("report"),
	"cmd/firmus/internal/pages":             "fixity fixity/care fixity/damage fixity/essence fixity/ledger fixity/repair " + in("acts acts/archive acts/deciding acts/receiving acts/recovering clips config levels pages/firstrun pages/items pages/shelf pages/site pages/stave reels report sheet statements"),
	"cmd/firmus/internal/pages/firstrun":    "fixity fixity/ledger " + in("acts acts/archive acts/receiving config guarded pages/site register register/preview register/workbook report setup sheet"),
	"cmd/firmus/internal/pages/items":       "fixity fixity/care fixity/ledger " + in("acts acts/archive acts/reading pages/site reels register report statements"),
	"cmd/firmus/internal/pages/shelf":       "fixity fixity/ledger replicas/optical " + in("acts/archive discs discs/checking discs/registering discs/sheets pages/site report"),
	"cmd/firmus/internal/pages/site":        "fixity fixity/audit fixity/ledger " + in("acts/archive acts/reading discs guarded pages/stave people reels report sheet statements stores"),
	"cmd/firmus/internal/people":            "fixity fixity/ledger",
	"cmd/firmus/internal/reels":             "fixity fixity/care fixity/ledger " + in("register"),
	"cmd/firmus/internal/register":          "fixity fixity/expr fixity/spelling",
	"cmd/firmus/internal/register/preview":  "fixity " + in("register register/workbook report"),
	"cmd/firmus/internal/register/workbook": "fixity/expr replicas/named " + in("register"),
	"cmd/firmus/internal/report":            "fixity fixity/care fixity/damage fixity/essence/sound fixity/expr fixity/ledger fixity/repair",
	"cmd/firmus/internal/sheet":             "fixity/expr",
	"cmd/firmus/internal/statements":        "fixity fixity/care fixity/damage fixity/ledger fixity/spelling " + in("levels pages/stave reels register report sheet"),
	"cmd/firmus/internal/levels":            "fixity",
	"cmd/firmus/internal/discs":             "fixity fixity/care fixity/expr fixity/ledger fixity/ledger/private fixity/spelling replicas/optical replicas/optical/burned replicas/optical/cdda replicas/optical/discfs",
	"cmd/firmus/internal/discs/sampling":    "",
	"cmd/firmus/internal/discs/checking":    "fixity fixity/audit fixity/care fixity/damage fixity/digest fixity/essence fixity/essence/sound fixity/expr fixity/ledger fixity/ledger/private replicas/optical replicas/optical/burned replicas/optical/cdda " + in("acts/archive acts/hearing discs discs/registering discs/sampling"),
	"cmd/firmus/internal/discs/opening":     "fixity fixity/ledger/private manifest replicas/optical replicas/optical/burned replicas/optical/scsi " + in("discs"),
	"cmd/firmus/internal/discs/registering": "fixity fixity/care fixity/essence/sound fixity/ledger " + in("acts/archive acts/backups acts/hearing discs discs/sheets register sheet"),
	"cmd/firmus/internal/discs/sheets":      "fixity fixity/ledger replicas/optical replicas/optical/burned replicas/optical/cdda replicas/optical/discfs " + in("discs report sheet"),
	"cmd/firmus/internal/schedule":          "fixity fixity/ledger",
	"cmd/firmus/internal/setup":             "fixity fixity/beside fixity/expr fixity/ledger/private replicas/cloud/wire replicas/disk replicas/ground replicas/loopback replicas/named " + in("config guarded"),
	"cmd/firmus/internal/stores":            "fixity fixity/audit fixity/care fixity/ledger " + in("schedule"),
	"cmd/firmus/testing/browsertest":        "",
	"cmd/firmus/testing/calls":              "",
	"cmd/firmus/testing/mailtest":           "",
	"cmd/firmus/testing/powercut":           "",
	"cmd/firmus/internal/watch":             "fixity fixity/essence fixity/essence/sound",
	"cmd/firmus/internal/metrics":           "fixity",
	"cmd/firmus/internal/systemservice":     "deploy fixity fixity/expr fixity/ledger/private",
	"cmd/firmus/internal/clouds":            "fixity fixity/ledger replicas/cloud replicas/cloud/drive replicas/cloud/s3 replicas/cloud/webdav replicas/loopback " + in("acts config guarded report"),
	"cmd/firmus/internal/web":               in("pages/site"),
	"deploy":                                "",
}

// in puts cmd/firmus/internal/ before each word.
func in(words string) string {
	list := strings.Fields(words)
	for i := range list {
		list[i] = "cmd/firmus/internal/" + list[i]
	}
	return strings.Join(list, " ")
}

// outside says which packages may import each module from outside, in their shipped
// files and in their tests; * is any. DEVELOPERS.md has a line for each module.
var outside = []struct{ module, shipped, tests string }{
	{"cloud.google.com/go/auth", "replicas/cloud/drive", ""},
	{"github.com/chromedp/cdproto", "cmd/firmus/testing/browsertest", ""},
	{"github.com/chromedp/chromedp", "cmd/firmus/testing/browsertest", ""},
	{"github.com/emersion/go-sasl", "cmd/firmus/testing/mailtest", ""},
	{"github.com/emersion/go-smtp", "cmd/firmus/testing/mailtest", "cmd/firmus/internal/letters"},
	{"github.com/google/go-cmp", "", "*"},
	{"github.com/jackc/pgx/v5", "fixity/ledger/database cmd/firmus/internal/hosts", ""},
	{"github.com/richardlehane/mscfb", "cmd/firmus/internal/register/workbook", ""},
	{"github.com/riverqueue/river", "cmd/firmus/internal/hosts", ""},
	{"github.com/minio/minio-go/v7", "replicas/cloud/s3", ""},
	{"github.com/mewkiz/flac", "fixity/essence/flac cmd/firmus/internal/demo", "fixity/essence"},
	{"github.com/pelletier/go-toml/v2", "cmd/firmus/internal/config", ""},
	{"github.com/pressly/goose/v3", "fixity/ledger/database", ""},
	{"github.com/robfig/cron/v3", "cmd/firmus/internal/schedule", ""},
	{"github.com/rogpeppe/go-internal", "", "cmd/firmus"},
	{"github.com/spf13/cobra", "cmd/firmus", ""},
	{"github.com/spf13/pflag", "cmd/firmus", ""},
	{"github.com/wneessen/go-mail", "cmd/firmus/internal/letters", ""},
	{"github.com/zeebo/blake3", "fixity/digest/blake3", "*"},
	{"go.yaml.in/yaml/v3", "", "deploy"},
	{"golang.org/x/crypto", "cmd/firmus/internal/people", ""},
	{"lukechampine.com/blake3", "fixity/digest/blake3", ""},
	{"golang.org/x/mod", "fixity/ledger/mlog fixity/ledger/record", "*"},
	{"golang.org/x/oauth2", "replicas/cloud/drive", ""},
	{"golang.org/x/sys", "cmd/firmus cmd/firmus/internal/watch cmd/firmus/testing/calls fixity/beside fixity/digest/blake3 fixity/ledger/database replicas/disk replicas/ground replicas/optical replicas/optical/scsi", "*"},
	{"golang.org/x/term", "cmd/firmus", ""},
	{"golang.org/x/net", "cmd/firmus/internal/pages/site", "cmd/firmus replicas/cloud/webdav"},
	{"golang.org/x/text", "fixity/ledger manifest manifest/bag replicas/optical/burned replicas/optical/mmc cmd/firmus/internal/register/workbook", "cmd/firmus/internal/register/workbook"},
	{"google.golang.org/api", "replicas/cloud/drive replicas/testing/drivetest/disco", ""},
	{"modernc.org/sqlite", "fixity/ledger/database", ""},
	{"github.com/fsnotify/fsnotify", "cmd/firmus/internal/watch", ""},
	{"github.com/prometheus/client_golang", "cmd/firmus/internal/metrics", ""},
	{"github.com/kardianos/service", "cmd/firmus/internal/systemservice", ""},
}

// house are rules that no row above may bend: files in from (tests too where so
// said) import nothing in to. A folder stands for all below it.
var house = []struct {
	from, to string
	tests    bool
	why      string
}{
	{"fixity", "cmd", true, "the domain doesn't know the program"},
	{"manifest", "cmd", true, "the domain doesn't know the program"},
	{"replicas", "cmd", true, "the domain doesn't know the program"},
	{"fixity", "replicas", false, "the domain sees stores by interfaces of its own"},
	{"fixity", "manifest", false, "audit takes digests; app joins the two"},
	{"manifest", "replicas", false, "manifests see folders by an interface of their own"},
	{"replicas", "manifest", false, "stores know no manifests"},
	{"cmd/firmus/internal/acts", "replicas", false, "acts see stores by interfaces; app joins the two"},
	{"cmd/firmus/internal/stores", "replicas", false, "stores are seen by interfaces; app joins the two"},
	{"cmd/firmus/internal/config", "cmd", false, "config is plain data"},
}

// unreachable are packages that only some may import in shipped files.
var unreachable = map[string]string{
	"cmd/firmus/internal/app": "cmd/firmus",
	"fixity/ledger/database":  "fixity/ledger fixity/ledger/record fixity/testing/ledgertest",
	"fixity/ledger/record":    "fixity/ledger",
}

// testers are folders, with all below them, that only tests import, and each other.
// They alone may import testing.
var testers = []string{"cmd/firmus/testing", "fixity/testing", "replicas/testing"}

// shown are testers that shipped files import all the same. The demo's cloud is the
// test server: it speaks the service's own language to the program's own client, keeps
// all in memory, and listens on this computer only.
var shown = map[string]string{
	"replicas/testing/drivetest": "cmd/firmus/internal/demo",
}

// tester says that the folder is one of testers or below one.
func tester(dir string) bool {
	return slices.ContainsFunc(testers, func(t string) bool { return within(dir, t) })
}

// clocks are what the domain may not call, with the places that may all the same:
// they measure how long something takes, and never say when it was.
var clocks = []struct{ call, but string }{
	{"time.Now", "fixity/audit/list.go fixity/audit/read.go fixity/ledger/database/line.go fixity/ledger/database/lock.go"},
	{"time.Since", "fixity/audit/list.go fixity/audit/read.go fixity/ledger/database/line.go"},
	{"time.Until", "fixity/ledger/database/lock.go"},
	{"os.Getenv", ""},
	{"os.LookupEnv", ""},
	{"os.Environ", ""},
	{"os.ExpandEnv", ""},
	{"os.Stdout", ""},
	{"os.Stderr", ""},
	{"fmt.Print", ""},
	{"fmt.Printf", ""},
	{"fmt.Println", ""},
}

const (
	root     = "../.."
	module   = "firmus"
	longest  = 700 // lines; past 500 a file is two things
	fewFiles = 100 // a walk that sees fewer has gone astray
)

// source is one Go file of the module, whatever system it is built for.
type source struct {
	name, dir string // slash paths below the root
	test      bool
	imports   []string
	text      []byte
}

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && p != root && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".")) {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), p, text, parser.ImportsOnly)
		if err != nil {
			return err
		}
		s := source{name: filepath.ToSlash(rel), test: strings.HasSuffix(p, "_test.go"), text: text}
		s.dir = path.Dir(s.name)
		for _, i := range f.Imports {
			q, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			s.imports = append(s.imports, q)
		}
		all = append(all, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < fewFiles {
		t.Fatalf("only %d Go files below %s", len(all), root)
	}
	return all
}

// within says that p is dir or below it.
func within(p, dir string) bool { return p == dir || strings.HasPrefix(p, dir+"/") }

// ours is the folder of an imported package of this module.
func ours(imported string) (string, bool) { return strings.CutPrefix(imported, module+"/") }

func TestImports(t *testing.T) {
	used, exists := map[[2]string]bool{}, map[string]bool{}
	for _, s := range sources(t) {
		_, row := imports[s.dir]
		if !row && !exists[s.dir] {
			t.Errorf("%s has no row in the table of imports", s.dir)
		}
		exists[s.dir] = true
		for _, i := range s.imports {
			to, ok := ours(i)
			if !ok {
				continue
			}
			for _, h := range house {
				if within(s.dir, h.from) && within(to, h.to) && (h.tests || !s.test) {
					t.Errorf("%s imports %s: %s", s.name, to, h.why)
				}
			}
			if s.test {
				continue
			}
			if tester(to) && !tester(s.dir) && !slices.Contains(strings.Fields(shown[to]), s.dir) {
				t.Errorf("%s imports %s, which is for tests", s.name, to)
			}
			if by, ok := unreachable[to]; ok && !slices.Contains(strings.Fields(by), s.dir) {
				t.Errorf("%s imports %s, which only these may: %q", s.name, to, by)
			}
			if used[[2]string{s.dir, to}] = true; row && !slices.Contains(strings.Fields(imports[s.dir]), to) {
				t.Errorf("%s imports %s, which isn't in its row of the table of imports", s.name, to)
			}
		}
	}
	for dir, may := range imports {
		for _, to := range strings.Fields(may) {
			if exists[dir] && exists[to] && !used[[2]string{dir, to}] {
				t.Errorf("the table lets %s import %s, and nothing does: take the word out", dir, to)
			}
		}
	}
}

func TestOutside(t *testing.T) {
	needed := map[string]bool{} // module + place
	for _, s := range sources(t) {
		for _, i := range s.imports {
			first, _, _ := strings.Cut(i, "/")
			if !strings.Contains(first, ".") {
				continue // the standard library or this module
			}
			at := slices.IndexFunc(outside, func(o struct{ module, shipped, tests string }) bool { return within(i, o.module) })
			if at < 0 {
				t.Errorf("%s imports %s, whose module isn't in the table of outside modules", s.name, i)
				continue
			}
			o := outside[at]
			may := strings.Fields(o.shipped)
			if s.test {
				may = append(may, strings.Fields(o.tests)...)
			}
			switch {
			case s.test && slices.Contains(may, "*"):
				needed[o.module+" in tests of *"] = true
			case s.test && slices.Contains(may, s.dir):
				needed[o.module+" in tests of "+s.dir] = true
			case !s.test && slices.Contains(may, s.dir):
				needed[o.module+" in "+s.dir] = true
			default:
				t.Errorf("%s imports %s, which the table of outside modules doesn't let it", s.name, i)
			}
		}
	}
	developers, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	major := regexp.MustCompile(`/v[0-9]+$`)
	for _, o := range outside {
		for _, dir := range strings.Fields(o.shipped) {
			if !needed[o.module+" in "+dir] && present(dir) {
				t.Errorf("the table lets %s import %s, and nothing does: take the word out", dir, o.module)
			}
		}
		for _, dir := range strings.Fields(o.tests) {
			if !needed[o.module+" in tests of "+dir] && (dir == "*" || present(dir)) {
				t.Errorf("the table lets tests of %s import %s, and none does: take the word out", dir, o.module)
			}
		}
		name := major.ReplaceAllString(o.module, "")
		name = strings.TrimPrefix(strings.TrimPrefix(name, "github.com/"), "golang.org/")
		if !strings.Contains(string(developers), name) {
			t.Errorf("DEVELOPERS.md has no line for %s", o.module)
		}
	}
}

// present says that the folder is there.
func present(dir string) bool {
	_, err := os.Stat(filepath.Join(root, filepath.FromSlash(dir)))
	return err == nil
}

// The domain is told the time and its settings, and says nothing by itself.
func TestDomainIsTold(t *testing.T) {
	used := map[string]bool{}
	for _, s := range sources(t) {
		if s.test || tester(s.dir) || !within(s.dir, "fixity") && !within(s.dir, "manifest") && !within(s.dir, "replicas") {
			continue
		}
		for _, i := range s.imports {
			if i == "log" || i == "log/syslog" || i == "flag" || i == "expvar" {
				t.Errorf("%s imports %s: the domain doesn't log and has no flags", s.name, i)
			}
		}
		f, err := parser.ParseFile(token.NewFileSet(), s.name, s.text, 0)
		if err != nil {
			t.Fatal(err)
		}
		names := map[string]string{} // as the file calls a package -> its path
		for _, i := range f.Imports {
			p, _ := strconv.Unquote(i.Path.Value)
			if names[path.Base(p)] = p; i.Name != nil {
				names[i.Name.Name] = p
			}
		}
		ast.Inspect(f, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			id, ok := sel.X.(*ast.Ident)
			if !ok || names[id.Name] == "" {
				return true
			}
			call := names[id.Name] + "." + sel.Sel.Name
			if strings.HasPrefix(call, "log/slog.") && call != "log/slog.New" && call != "log/slog.DiscardHandler" {
				t.Errorf("%s uses %s: the domain doesn't log, though it may silence a library", s.name, call)
			}
			for _, c := range clocks {
				if c.call != call {
					continue
				}
				if used[call+" "+s.name] = true; !slices.Contains(strings.Fields(c.but), s.name) {
					t.Errorf("%s uses %s: the domain takes it as a value or a func", s.name, call)
				}
			}
			return true
		})
	}
	for _, c := range clocks {
		for _, file := range strings.Fields(c.but) {
			if !used[c.call+" "+file] && present(file) {
				t.Errorf("%s may use %s, and doesn't: take the word out", file, c.call)
			}
		}
	}
}

func TestFiles(t *testing.T) {
	vague := []string{"util", "utils", "common", "types", "helper", "helpers", "manager", "misc", "base"}
	for _, s := range sources(t) {
		if slices.Contains(vague, path.Base(s.dir)) {
			t.Errorf("%s: a package called %s could hold anything", s.name, path.Base(s.dir))
		}
		if n := strings.Count(string(s.text), "\n"); n > longest {
			t.Errorf("%s has %d lines: past 500 a file is two things, and past %d it isn't let pass", s.name, n, longest)
		}
		if !s.test && !tester(s.dir) && slices.ContainsFunc(s.imports, func(i string) bool { return within(i, "testing") }) {
			t.Errorf("%s imports testing: it would be shipped", s.name)
		}
	}
}

// An expression that is compiled when it is first used is wrong then, and not at the start: so
// all of them are compiled here.
func TestExpressions(t *testing.T) {
	n := 0
	for _, s := range sources(t) {
		if !slices.Contains(s.imports, "firmus/fixity/expr") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), s.name, s.text, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(node ast.Node) bool {
			call, ok := node.(*ast.CallExpr)
			if !ok {
				return true
			}
			if sel, ok := call.Fun.(*ast.SelectorExpr); !ok || sel.Sel.Name != "Once" || len(call.Args) != 1 {
				return true
			} else if id, ok := sel.X.(*ast.Ident); !ok || id.Name != "expr" {
				return true
			}
			text, ok := call.Args[0].(*ast.BasicLit)
			if !ok {
				t.Errorf("%s makes an expression of what isn't a plain text: no test can compile it", s.name)
				return true
			}
			n++
			value, err := strconv.Unquote(text.Value)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := regexp.Compile(value); err != nil {
				t.Errorf("%s: %v", s.name, err)
			}
			return true
		})
	}
	if n < 50 {
		t.Errorf("only %d expressions", n)
	}
}
