//go:build unix

package disk_test

import (
	"context"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"firmus/replicas/disk"
)

// What is written into a closed folder is never open, whatever the umask; in a folder that
// is shared with a group by its mode it is the group's; elsewhere the umask decides.
func TestWhatIsWrittenIsNeverMoreOpenThanItsFolder(t *testing.T) {
	for _, c := range []struct {
		name   string
		folder fs.FileMode
		umask  int
		want   fs.FileMode
	}{
		{"closed, open umask", 0o700, 0, 0o600},
		{"closed, closed umask", 0o700, 0o777, 0o600},
		{"closed but for a group", 0o750, 0, 0o640},
		{"shared", 0o770 | fs.ModeSetgid, 0o077, 0o660},
		{"shared, and everybody reads", 0o775 | fs.ModeSetgid, 0o077, 0o664},
		{"open", 0o755, 0o022, 0o644},
		{"open, closed umask", 0o755, 0o077, 0o600},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": oldText})
			check(t, os.Chmod(filepath.Join(d.Root(), "QV-0107"), c.folder))
			old := syscall.Umask(c.umask)
			err := d.Replace(context.Background(), "QV-0107/new/b.txt", func(w io.Writer) error { return writeNew(w) })
			err2 := d.Replace(context.Background(), "QV-0107/b.txt", func(w io.Writer) error { return writeNew(w) })
			err3 := d.Replace(context.Background(), ".firmus-ledger/events/b.txt", writeNew)
			syscall.Umask(old)
			check(t, err)
			check(t, err2)
			check(t, err3)
			for p, want := range map[string]fs.FileMode{"QV-0107/b.txt": c.want, "QV-0107/new/b.txt": c.want,
				".firmus-ledger": 0o700, ".firmus-ledger/events": 0o700, ".firmus-ledger/events/b.txt": 0o600} {
				st, err := os.Stat(filepath.Join(d.Root(), p))
				check(t, err)
				if got := st.Mode().Perm(); got != want {
					t.Errorf("%s: %v, want %v", p, got, want)
				}
			}
		})
	}
}

// Restrict closes what was left open, and touches nothing but our own.
func TestABackupOfAnEarlierVersionIsNeverLeftOpen(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{".firmus-ledger/ledger.db": "x", ".firmus-ledger/events/2026-11.jsonl": "x", "a.wav": "x"})
	outside := filepath.Join(t.TempDir(), "outside")
	check(t, os.WriteFile(outside, nil, 0o644))
	check(t, os.Symlink(outside, filepath.Join(d.Root(), ".firmus-ledger/link")))
	check(t, os.Chmod(filepath.Join(d.Root(), ".firmus-ledger"), 0o755))
	check(t, d.Restrict(ctx, ".firmus-none", 0o600, 0o700, -1, false))
	check(t, d.Restrict(ctx, ".firmus-ledger", 0o600, 0o700, -1, true))
	for p, want := range map[string]fs.FileMode{".firmus-ledger": 0o700, ".firmus-ledger/events": 0o700, ".firmus-ledger/ledger.db": 0o600, ".firmus-ledger/events/2026-11.jsonl": 0o600} {
		st, err := os.Stat(filepath.Join(d.Root(), p))
		check(t, err)
		if st.Mode().Perm() != want {
			t.Errorf("%s: %v, want %v", p, st.Mode(), want)
		}
	}
	if st, err := os.Stat(outside); err != nil || st.Mode().Perm() != 0o644 {
		t.Errorf("a link was followed: %v, %v", st, err)
	}
	if err := d.Restrict(ctx, "QV-0107", 0o600, 0o700, -1, true); err == nil {
		t.Error("a person's folder was closed")
	}
	if _, err := os.Stat(filepath.Join(d.Root(), ".firmus-none")); err == nil {
		t.Error("a folder was made")
	}
}
