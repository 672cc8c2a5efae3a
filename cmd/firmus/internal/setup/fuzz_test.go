package setup_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/setup"
)

// FuzzAnswers: whatever is typed, each question in a line of its own, what is written says just
// that when it is read again: no answer becomes a line, a store or a set of its own.
func FuzzAnswers(f *testing.F) {
	f.Add("Quillmere Valley Song Survey\n/srv/masters\n/srv/masters\n/srv/access\n/mnt/vault")
	f.Add("x\nD:\\new tapes\\masters\n\"D:\\it's\"\nnone\nE:\\vault\nE:\\vault\\masters")
	f.Add("a\"\\\n'/srv/[set.x]'\n/srv/a # b\nNone\n\\\\server\\share\n~\n../x")
	f.Add("Q\n/a\n/a\nnone\nnone\nhttps://drive.google.com/drive/folders/1AbC?usp=sharing\nkey.json\n/dev/sr0\nmail.example.org:587\nada@example.org, tom@example.org\nfirmus@example.org\nfirmus\npassword\nthe office\nthe safe")
	f.Add("Q\n/a\n/a\nnone\nnone\ns3://s3.example.org/quillmere/\"]\nkey\nnone\nnone\n[web]")
	f.Add("Q\n/a\n/a\nnone\nnone\nhttps://dav.example.org/a b/%0d%0a\nlogin\nnone\nmail.example.org\n\"A, B\" <a@example.org>")
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, lines string) {
		typed := strings.Split(lines, "\n")
		d := setup.New(filepath.Join(dir, "firmus.toml"))
		for i := 0; ; i++ {
			qs := d.Questions()
			if i == len(qs) {
				break
			}
			q, a := qs[i], qs[i].Preset
			if i < len(typed) {
				if clean, wrong := setup.Clean(typed[i]); wrong == "" && d.Wrong(q, clean) == "" {
					a = clean
				}
			}
			d.Answer(q.Key, a)
		}
		c, err := d.Config()
		if err != nil {
			return // the person is told, and nothing is written
		}
		if name, _ := d.Given(setup.Name); c.Name != name {
			t.Errorf("the name %q is read as %q\n%s", name, c.Name, d.Text())
		}
		paths := map[string]string{}
		for _, s := range c.Stores {
			if !slices.Contains([]string{"studio", "vault", "cloud", "discs"}, s.Name) {
				t.Errorf("there is a store %q\n%s", s.Name, d.Text())
			}
			for _, r := range s.Sets {
				if s.Kind == config.Disk {
					paths[s.Name+" "+r.Set] = r.Path
				}
			}
		}
		for what, key := range map[string]string{"vault masters": setup.SecondMasters, "vault access": setup.SecondAccess, "studio access": setup.Access, "studio masters": setup.MastersIn} {
			got, there := paths[what]
			want, _ := d.Given(key)
			if what == "studio masters" {
				want = d.Masters()
			}
			if there && filepath.Clean(got) != filepath.Clean(d.At(want)) {
				t.Errorf("%s %q is read as %q\n%s", what, d.At(want), got, d.Text())
			}
		}
		if drive, _ := d.Given(setup.Drive); !slices.ContainsFunc(c.Stores, func(s config.Store) bool { return s.Drive == drive || drive == "" }) {
			t.Errorf("the drive %q is none's\n%s", drive, d.Text())
		}
		if user, _ := d.Given(setup.MailUser); c.Mail != nil && c.Mail.User != user {
			t.Errorf("the user %q is read as %q\n%s", user, c.Mail.User, d.Text())
		}
	})
}
