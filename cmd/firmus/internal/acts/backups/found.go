package backups

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Place is where a ledger is, or was. There may be none now.
type Place struct {
	State  string // the state folder
	Ledger string // the ledger itself, for people
	// Tools: the ledger is kept by a database, which has tools of its own to bring it back.
	Tools  bool
	Stores stores.Stores // without a ledger: they are only looked at
}

// disks are the stores in which a ledger may have left something.
func (p Place) disks() (out []care.Store) {
	for _, s := range p.Stores.Rules.Stores {
		if s.Kind == archive.DiskKind {
			out = append(out, s)
		}
	}
	return out
}

// found is a backup that lies in a store, as its folder says.
type found struct {
	Store string
	Name  string // of its folder
	dir   string // as people find it
	root  stores.Root
	at    string // its folder, in the root
	seal  ledger.Seal
	made  time.Time
	bad   string // why it can't be used; "" if nothing speaks against it
	bare  bool   // it has no database: one of a ledger on PostgreSQL
}

// backups are all that lie in the stores that are there. A root that doesn't answer has
// none; restoring says of it that it isn't there.
func (p Place) backups(ctx context.Context) (out []found) {
	for _, s := range p.disks() {
		seen := map[string]bool{}
		for _, set := range s.Sets {
			where := p.Stores.Where(s.Name, set)
			if seen[where] {
				continue
			}
			seen[where] = true
			if root, err := p.Stores.Root(s.Name, set, fixity.Bypassed); err == nil {
				out = append(out, lyingIn(ctx, root, s.Name, where)...)
			}
		}
	}
	return out
}

// lyingIn are the backups in a root: the generations, those set aside, and one that lies
// there without a folder of its own, as the first version wrote it.
func lyingIn(ctx context.Context, root stores.Root, store, where string) (out []found) {
	names, err := root.Names(ctx, archive.BackupFolder)
	if err != nil {
		return nil
	}
	for _, n := range names {
		b := found{Store: store, Name: n, root: root, at: archive.BackupFolder + "/" + n}
		switch _, err := root.Stat(ctx, b.at); {
		case n == checkpointTxt:
			b.Name, b.at = archive.BackupFolder, archive.BackupFolder
		case err == nil, !errors.Is(err, fixity.ErrVanished), strings.HasPrefix(n, unfinishedPrefix), n == "events":
			continue // a file, or no backup
		}
		b.dir = filepath.Join(where, filepath.FromSlash(b.at))
		b.look(ctx)
		out = append(out, b)
	}
	return out
}

func (b *found) look(ctx context.Context) {
	text, err := b.root.ReadFile(ctx, b.at+"/"+checkpointTxt, 1<<16)
	if err == nil {
		b.seal, err = ledger.ReadSeal(text)
	}
	if err != nil {
		b.bad = "its checkpoint can't be read: " + err.Error()
	}
	x, err := b.root.Stat(ctx, b.at+"/"+ledgerDB)
	switch {
	case errors.Is(err, fixity.ErrVanished):
		b.bare = true
	case err != nil:
		b.bad = err.Error()
	default:
		b.made = x.ModTime
	}
}

// events are the event files that it holds.
func (b found) events(ctx context.Context) ([]byte, error) {
	return eventsIn(ctx, b.root, b.at+"/events")
}
