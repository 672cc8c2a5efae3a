package report_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

// What systems and networks answer is put into words; names and our own words stay.
func TestAnswersOfSystemsAreWords(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"open /a/b c.wav: no such file or directory", "/a/b c.wav: there is no such file or folder"},
		{"store vault, set masters: stat /mnt/x: no such file or directory", "store vault, set masters: /mnt/x: there is no such file or folder"},
		{`make bag "/n/x": lstat /n: no such file or directory`, `make bag "/n/x": /n: there is no such file or folder`},
		{`open image "nope.iso": statat nope.iso: no such file or directory`, `open image "nope.iso": there is no such file or folder`},
		{"mail server 127.0.0.1:25: dial tcp 127.0.0.1:25: connect: connection refused", "mail server 127.0.0.1:25: nothing answers there (connection refused)"},
		{"read configuration: open C:\\a b\\firmus.toml: no such file or directory", "read configuration: C:\\a b\\firmus.toml: there is no such file or folder"},
		{"list /p: permission denied: permission denied", "list /p: this account has no permission"},
		{"write /s/ledger.db: no space left on device", "/s/ledger.db: the drive is full"},
		{"dial tcp 127.0.0.1:25: connect: connection refused", "127.0.0.1:25: nothing answers there (connection refused)"},
		{`Get "https://x.example/drive/v3/files?q=1": dial tcp: lookup x.example on 10.0.0.1:53: no such host`, "https://x.example/drive/v3/files?q=1: x.example: no computer has this name"},
		{"read tcp 127.0.0.1:4711->127.0.0.1:25: i/o timeout", "127.0.0.1:25: no answer came in time"},
		{"listen tcp 127.0.0.1:7340: bind: address already in use", "127.0.0.1:7340: another program has this address"},
		{"store is away: no such file or directory", "there is no such file or folder"},
		{"/dev/sr0: there is no such drive, or it was unplugged: store is away", "/dev/sr0: there is no such drive, or it was unplugged"},
		{"look up the size: context deadline exceeded", "look up the size: no answer came in time"},
		{"QV-0107: vanished: no such file or directory", "QV-0107: there is no such file or folder"},
		{"the file is a directory of tapes, and no such file or directory is known", "the file is a directory of tapes, and no such file or directory is known"},
		{"store vault is busy since 03:00", "store vault is busy since 03:00"},
		{"firmus.toml:3:1: unknown key \"x\"", "firmus.toml:3:1: unknown key \"x\""},
	} {
		if got := report.Plainly(c.text); got != c.want {
			t.Errorf("%q\n got %q\nwant %q", c.text, got, c.want)
		}
	}
}

// What this system and library say today is known.
func TestAnswersAreThoseOfThisSystem(t *testing.T) {
	nowhere := filepath.Join(t.TempDir(), "nowhere", "x")
	_, stat := os.Stat(nowhere)
	_, open := os.Open(nowhere)
	_, dir := os.ReadDir(nowhere)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, taken := net.Listen("tcp", l.Addr().String())
	l.Close()
	_, refused := net.Dial("tcp", l.Addr().String())
	for _, err := range []error{stat, open, dir, os.Mkdir(nowhere, 0o755), os.Remove(nowhere), os.Rename(nowhere, nowhere), taken, refused, context.DeadlineExceeded,
		fmt.Errorf("store vault: %w: %w", fixity.ErrAway, stat)} {
		got := report.Plainly(err.Error())
		for _, raw := range []string{"or directory", "stat ", "open ", "rename", "mkdir ", "tcp", "bind", "dial", "deadline", "cannot find", "store is away"} {
			if strings.Contains(got, raw) {
				t.Errorf("%q is told as %q", err, got)
			}
		}
	}
}

// On paper no line ends within an option, and nothing of a name becomes a tag.
func TestOptionsStayWholeOnPaper(t *testing.T) {
	got := string(sheet.Unbroken(`firmus disc check "a<b>.wav" --drive DEVICE --new-transfer, well--known`))
	const want = `firmus disc check &#34;a&lt;b&gt;.wav&#34; <span class="option">--drive</span> DEVICE <span class="option">--new-transfer</span>, well--known`
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
