package deploy_test

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"
)

// composeFile is as much of the Compose Specification (compose-spec.io, "The Compose file") as our
// file uses. A key that isn't here fails to be read.
type composeFile struct {
	Name     string                       `yaml:"name"`
	Host     any                          `yaml:"x-host"` // what hosts have alike
	Services map[string]composeService    `yaml:"services"`
	Volumes  map[string]any               `yaml:"volumes"`
	Configs  map[string]map[string]string `yaml:"configs"`
}

type composeService struct {
	Build *struct {
		Context    string `yaml:"context"`
		Dockerfile string `yaml:"dockerfile"`
	} `yaml:"build"`
	Image       string   `yaml:"image"`
	NetworkMode string   `yaml:"network_mode"`
	ReadOnly    bool     `yaml:"read_only"`
	CapDrop     []string `yaml:"cap_drop"`
	SecurityOpt []string `yaml:"security_opt"`
	Restart     string   `yaml:"restart"`
	DependsOn   map[string]struct {
		Condition string `yaml:"condition"`
	} `yaml:"depends_on"`
	Command     []string          `yaml:"command"`
	Environment map[string]string `yaml:"environment"`
	Configs     []struct {
		Source string `yaml:"source"`
		Target string `yaml:"target"`
	} `yaml:"configs"`
	Volumes     []string `yaml:"volumes"`
	Healthcheck *struct {
		Test     []string `yaml:"test"`
		Interval string   `yaml:"interval"`
		Retries  int      `yaml:"retries"`
	} `yaml:"healthcheck"`
}

func readCompose(t *testing.T) (c composeFile) {
	t.Helper()
	b, err := os.ReadFile("compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	in := yaml.NewDecoder(bytes.NewReader(b))
	in.KnownFields(true)
	if err := in.Decode(&c); err != nil {
		t.Fatal(err)
	}
	return c
}

// TestComposeFits holds the parts of the compose file against each other: whatever one names is
// there, and nothing is there that none uses.
func TestComposeFits(t *testing.T) {
	c := readCompose(t)
	usedConfigs, usedVolumes := map[string]bool{}, map[string]bool{}
	for name, s := range c.Services {
		if s.Image == "" || !slices.Contains([]string{"no", "always", "on-failure", "unless-stopped"}, s.Restart) || s.NetworkMode != "host" {
			t.Errorf("%s: image %q, restart %q, network %q", name, s.Image, s.Restart, s.NetworkMode)
		}
		if s.Build != nil {
			if _, err := os.Stat(filepath.Join(s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s is built from what isn't there: %v", name, err)
			}
		}
		for on, x := range s.DependsOn {
			if other, ok := c.Services[on]; !ok || x.Condition == "service_healthy" && other.Healthcheck == nil || !slices.Contains([]string{"service_started", "service_healthy", "service_completed_successfully"}, x.Condition) {
				t.Errorf("%s waits for %s (%s)", name, on, x.Condition)
			}
		}
		if h := s.Healthcheck; h != nil {
			if _, err := time.ParseDuration(h.Interval); err != nil || h.Retries <= 0 || len(h.Test) < 2 || h.Test[0] != "CMD" {
				t.Errorf("%s: its health is asked by %+v, %v", name, *h, err)
			}
		}
		at := map[string]bool{}
		mounts := func(what, target string) {
			if !strings.HasPrefix(target, "/") || at[target] {
				t.Errorf("%s mounts %s at %q", name, what, target)
			}
			at[target] = true
		}
		for _, x := range s.Configs {
			mounts(x.Source, x.Target)
			if usedConfigs[x.Source] = true; c.Configs[x.Source]["content"] == "" {
				t.Errorf("%s has a file %q that isn't there", name, x.Source)
			}
		}
		for _, v := range s.Volumes {
			from, to, ok := strings.Cut(v, ":")
			if mounts(from, to); !ok {
				t.Errorf("%s: volume %q", name, v)
			}
			if strings.HasPrefix(from, ".") {
				continue
			}
			if _, ok := c.Volumes[from]; !ok || usedVolumes[from] {
				t.Errorf("%s: volume %s isn't there, or is another's", name, from)
			}
			usedVolumes[from] = true
		}
	}
	if len(usedConfigs) != len(c.Configs) || len(usedVolumes) != len(c.Volumes) {
		t.Errorf("of %d files %d are used, of %d volumes %d", len(c.Configs), len(usedConfigs), len(c.Volumes), len(usedVolumes))
	}
}

// TestHostsOfTheComposeFileAgree: hosts differ in where their pages are, and in nothing else, or they
// would refuse each other. Each has its name and the folders that its configuration names, and
// Prometheus asks all of them.
func TestHostsOfTheComposeFileAgree(t *testing.T) {
	c := readCompose(t)
	listens := regexp.MustCompile(`listen = "(127\.0\.0\.1:\d+)"`)
	folder := regexp.MustCompile(`"(/(?:srv|var)/[^"]*)"`)
	seen, first := map[string]bool{}, ""
	for name, s := range c.Services {
		if s.Environment["FIRMUS_HOST"] == "" {
			continue
		}
		text := ""
		for _, x := range s.Configs {
			if x.Target == "/etc/firmus/firmus.toml" {
				text = c.Configs[x.Source]["content"]
			}
		}
		m := listens.FindStringSubmatch(text)
		if m == nil || seen[m[1]] || s.Environment["FIRMUS_HOST"] != name || !s.ReadOnly || !slices.Equal(s.CapDrop, []string{"ALL"}) {
			t.Fatalf("%s: named %s, %v, with\n%s", name, s.Environment["FIRMUS_HOST"], m, text)
		}
		seen[m[1]] = true
		own := listens.ReplaceAllString(text, "")
		if first == "" {
			first = own
		}
		if own != first {
			t.Errorf("%s has\n%s\nand another\n%s", name, own, first)
		}
		for _, f := range folder.FindAllStringSubmatch(text, -1) {
			if !slices.ContainsFunc(s.Volumes, func(v string) bool { return strings.HasSuffix(v, ":"+f[1]) }) {
				t.Errorf("%s isn't given %s", name, f[1])
			}
		}
		if !strings.Contains(c.Configs["prometheus"]["content"], "'"+m[1]+"'") {
			t.Errorf("Prometheus doesn't ask %s at %s", name, m[1])
		}
	}
	if len(seen) != 3 {
		t.Errorf("%d hosts", len(seen))
	}
}

// TestContainerfile walks the file of the image: what it copies is there, the program starts as an
// account without a name, and what it runs to build the program runs here as well, where all parts
// are asked for, and makes a program that needs no other file.
func TestContainerfile(t *testing.T) {
	b, err := os.ReadFile("Containerfile")
	if err != nil {
		t.Fatal(err)
	}
	said := map[string][]string{}
	for line := range strings.Lines(string(b)) {
		if word, rest, ok := strings.Cut(strings.TrimSpace(line), " "); ok && word != "#" {
			said[word] = append(said[word], rest)
		}
	}
	module, err := os.ReadFile("../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	version := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(string(module))
	if from := said["FROM"]; len(from) != 2 || from[0] != "golang:"+version[1]+" AS build" || from[1] != "scratch" {
		t.Errorf("from %q, and the module says Go %s", from, version[1])
	}
	for _, x := range said["COPY"] {
		f := strings.Fields(x)
		if strings.HasPrefix(f[0], "--from=") {
			continue
		}
		for _, from := range f[:len(f)-1] {
			if _, err := os.Stat(filepath.Join("..", from)); err != nil {
				t.Errorf("COPY %s: %v", x, err)
			}
		}
	}
	for _, word := range []string{"ENTRYPOINT", "CMD"} {
		var args []string
		if len(said[word]) != 1 || json.Unmarshal([]byte(said[word][0]), &args) != nil || len(args) != 1 {
			t.Errorf("%s %q: a list, or a shell would be needed, which isn't there", word, said[word])
		}
	}
	if u := said["USER"]; len(u) != 1 || !regexp.MustCompile(`^[1-9]\d*:[1-9]\d*$`).MatchString(u[0]) {
		t.Errorf("the account is %q", u)
	}
	c := readCompose(t)
	if env := said["ENV"]; len(env) != 1 || env[0] != "FIRMUS_CONFIG="+c.Services["host-a"].Configs[0].Target {
		t.Errorf("the program is told %q", env)
	}
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		return
	}
	dir := t.TempDir()
	for _, run := range said["RUN"] {
		x := exec.Command("sh", "-euc", strings.NewReplacer(" /firmus", " "+dir+"/firmus", " /state", " "+dir+"/state").Replace(run))
		x.Dir = ".."
		if out, err := x.CombinedOutput(); err != nil {
			t.Fatalf("RUN %s: %v\n%s", run, err, out)
		}
	}
	program, err := elf.Open(filepath.Join(dir, "firmus"))
	if err != nil {
		t.Fatal(err)
	}
	defer program.Close()
	if libraries, err := program.ImportedLibraries(); err != nil || len(libraries) > 0 || slices.ContainsFunc(program.Progs, func(p *elf.Prog) bool { return p.Type == elf.PT_INTERP }) {
		t.Errorf("the program needs %v, %v", libraries, err)
	}
	if st, err := os.Stat(filepath.Join(dir, "state")); err != nil || st.Mode().Perm() != 0o700 {
		t.Errorf("its state folder: %v, %v", st, err)
	}
}
