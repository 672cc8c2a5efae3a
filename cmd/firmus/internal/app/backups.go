package app

import (
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/ledger"
)

const (
	backupFolder  = acts.BackupFolder
	restoreFolder = ".firmus-restore"
)

// backup is one that lies in a store, as its folder says.
type backup struct {
	Store string
	Name  string // of its folder
	dir   string
	seal  ledger.Seal
	at    time.Time
	bad   string // why it can't be used; "" if nothing speaks against it
	bare  bool   // it has no database: one of a ledger on PostgreSQL
}

// backups are all that lie in the stores that are there.
func backups(c *config.Config) (out []backup) {
	for _, s := range c.Stores {
		if s.Kind != config.Disk {
			continue
		}
		seen := map[string]bool{}
		for _, r := range s.Sets {
			dir := filepath.Join(r.Path, backupFolder)
			if seen[dir] {
				continue
			}
			seen[dir] = true
			for _, b := range backupsIn(dir) {
				b.Store = s.Name
				out = append(out, b)
			}
		}
	}
	return out
}

// backupsIn are the backups in a folder: the generations, those set aside, and one that
// lies there without a folder of its own, as the first version wrote it.
func backupsIn(dir string) (out []backup) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil
	}
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), "unfinished-") && e.Name() != "events" {
			out = append(out, look(filepath.Join(dir, e.Name())))
		}
		if !e.IsDir() && e.Name() == "checkpoint.txt" {
			out = append(out, look(dir))
		}
	}
	return out
}

func look(dir string) backup {
	b := backup{Name: filepath.Base(dir), dir: dir}
	text, err := os.ReadFile(filepath.Join(dir, "checkpoint.txt"))
	if err == nil {
		b.seal, err = ledger.ReadSeal(text)
	}
	if err != nil {
		b.bad = "its checkpoint can't be read: " + err.Error()
	}
	st, err := os.Stat(filepath.Join(dir, "ledger.db"))
	switch {
	case os.IsNotExist(err):
		b.bare = true
	case err != nil:
		b.bad = err.Error()
	default:
		b.at = st.ModTime()
	}
	return b
}
