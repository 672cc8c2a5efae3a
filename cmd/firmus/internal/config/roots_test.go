package config_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
)

// Roots that are one folder by a link are found out; a root that is a link is fine.
func TestLinkedRoots(t *testing.T) {
	dir := t.TempDir()
	for _, d := range []string{"drive/masters/QV-0107", "other"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for name, to := range map[string]string{"link": "drive/masters", "deep": "drive/masters/QV-0107", "apart": "other"} {
		if err := os.Symlink(filepath.Join(dir, to), filepath.Join(dir, name)); err != nil {
			t.Skip("links can't be made here: ", err)
		}
	}
	const ok = ""
	cases := []struct{ name, state, studio, vault, want string }{
		{"apart", "state", "drive/masters", "apart", ok},
		{"absent", "state", "gone/masters", "gone/vault", ok},
		{"beside, one name a part of the other", "state", "drive/masters", "drive/masters-2", ok},
		{"beside, dots in the name", "state", "drive/masters", "drive/..masters", ok},
		{"the same by a link", "state", "drive/masters", "link", "is the same folder as"},
		{"inside by a link", "state", "drive/masters", "deep", "the folder of masters in vault lies inside the folder of masters in studio"},
		{"around by a link", "state", "deep", "link", "the folder of masters in studio lies inside the folder of masters in vault"},
		{"inside what a link leads to, not there yet", "state", "link", "drive/masters/new/deep", "the folder of masters in vault lies inside"},
		{"inside through a link, not there yet", "state", "drive", "link/new", "the folder of masters in vault lies inside"},
		{"state by a link", "link/state", "drive", "other", "the state folder lies inside the folder of masters in studio"},
		{"state around", "drive", "link", "other", "the folder of masters in studio lies inside the state folder"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := fmt.Sprintf("name = 'x'\nstate = '%s'\n[set.masters]\nrole = 'master'\n[store.studio]\nkind = 'disk'\narrivals = true\n"+
				"sets = { masters = '%s' }\n[store.vault]\nkind = 'disk'\nsets = { masters = '%s' }\n", c.state, c.studio, c.vault)
			_, err := config.Parse([]byte(text), filepath.Join(dir, "firmus.toml"))
			switch {
			case c.want == ok && err != nil:
				t.Error(err)
			case c.want != ok && (err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("error = %v, want %q", err, c.want)
			}
		})
	}
}
