package acts

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Recognised is what is known of one file in a folder.
type Recognised struct {
	Path   string   `json:"path"`
	Exact  string   `json:"path_base64,omitempty"`
	State  string   `json:"state"` // held, earlier, unknown, unread
	Set    string   `json:"set,omitempty"`
	File   string   `json:"file,omitempty"` // where it is under care
	Stores []string `json:"stores"`         // independent stores in which every byte of it was read and right
	Detail string   `json:"detail,omitempty"`
	// Unfinished is the open finding that says that this isn't a whole recording; 0:
	// there is none.
	Unfinished int64 `json:"unfinished,omitempty"`
}

// Recognition is what is known of a folder.
type Recognition struct {
	Files    []Recognised `json:"files"`
	LeftOut  int          `json:"left_out"`
	MayErase bool         `json:"may_be_erased"`
	Because  string       `json:"because"`
	Complete bool         `json:"complete"`
}

// States of a recognised file. Shown in JSON: never change one.
const (
	Held        = "held"
	HeldEarlier = "earlier"
	NotKnown    = "unknown"
	NotRead     = "unread"
)

// safeStores is how many independent stores must have been read before a source may
// be erased.
const safeStores = 2

// Recognise reads every file in a folder and says, by its bytes, whether it is
// held. The folder may be erased only if all of it was seen, each file's current
// version was read intact in two independent stores, and none is said to be unfinished:
// what it holds may be all that there is of the recording.
func (e *Env) Recognise(ctx context.Context, from audit.Store, shards []string) (Recognition, error) {
	out := Recognition{Files: []Recognised{}, Complete: true}
	for _, shard := range shards {
		for x, err := range from.List(ctx, shard) {
			if err != nil {
				if context.Cause(ctx) != nil {
					return out, context.Cause(ctx)
				}
				out.Complete, out.Because = false, err.Error()
				break
			}
			if x.Type == fixity.LeftOut {
				out.LeftOut++
				continue
			}
			f, err := e.recognise(ctx, from, x)
			if err != nil {
				return out, err
			}
			out.Files = append(out.Files, f)
		}
	}
	out.judge()
	return out, nil
}

func (e *Env) recognise(ctx context.Context, from audit.Store, x fixity.Entry) (Recognised, error) {
	r := Recognised{State: NotRead, Stores: []string{}}
	r.Path, r.Exact = displayed(x.Path)
	if x.Type != fixity.File {
		r.Detail = "no ordinary file: not opened"
		return r, nil
	}
	if e.Watch.File != nil {
		e.Watch.File(fixity.Shard{}, x.Path, x.Size)
	}
	f, err := from.Open(ctx, x, 0)
	var sums digest.Sums
	if err == nil {
		defer f.Close()
		sums, err = digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Progress: e.Watch.Bytes}.Read(ctx, f)
	}
	if context.Cause(ctx) != nil {
		return r, context.Cause(ctx)
	}
	if err != nil {
		r.Detail = err.Error()
		return r, nil
	}
	d, _ := sums.Get(fixity.BLAKE3)
	return r, e.Ledger.View(ctx, func(t *ledger.Tx) error { return e.lookUp(t, d, &r) })
}

func (e *Env) lookUp(t *ledger.Tx, d fixity.Digest, r *Recognised) error {
	hs, err := t.ByDigest(d)
	if err != nil {
		return err
	}
	r.State = NotKnown
	for _, h := range hs {
		if !h.Current {
			if r.State == NotKnown {
				r.State, r.Set, r.File = HeldEarlier, h.File.Set, ledger.DisplayPath(h.File.Path)
				r.Detail = fmt.Sprintf("version %d of it", h.Version)
				if !h.File.Retired.IsZero() {
					r.Detail += "; it was retired"
				}
			}
			continue
		}
		copies, err := t.Copies(h.File.ID)
		if err != nil {
			return err
		}
		lacks, err := unfinished(t, h.File.ID)
		if err != nil {
			return err
		}
		if lacks != 0 {
			r.Unfinished = lacks
		}
		var read []string
		for _, c := range copies {
			// A copy that has not followed a rename has the right bytes all the same.
			right := policy.HoldsVersion(c.State) || c.State == fixity.Behind
			if right && c.Held == h.File.Version && c.Read.OK && c.Read.Cache != fixity.Allowed {
				read = append(read, c.Store)
			}
		}
		// The same bytes may be under care twice: the better kept one counts.
		if r.State != Held || e.Rules.CountIndependent(read) > e.Rules.CountIndependent(r.Stores) {
			r.State, r.Set, r.File, r.Stores, r.Detail = Held, h.File.Set, ledger.DisplayPath(h.File.Path), append([]string{}, read...), ""
			if n := e.Rules.CountIndependent(read); n < safeStores {
				r.Detail = fmt.Sprintf("read intact in %d independent store(s) so far", n)
			}
		}
	}
	if r.Unfinished != 0 {
		r.Detail = fmt.Sprintf("not a whole recording (finding %d)", r.Unfinished)
	}
	return nil
}

// unfinished is the number of the open finding that a file is unfinished, 0 if none is.
func unfinished(t *ledger.Tx, file int64) (int64, error) {
	f, err := t.UnfinishedOf(file)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && !f.Open() {
		return 0, nil
	}
	return f.ID, err
}

func (r *Recognition) judge() {
	counts := map[string]int{}
	thin, bad := 0, 0
	for _, f := range r.Files {
		counts[f.State]++
		switch {
		case f.Unfinished != 0:
			bad++
		case f.State == Held && f.Detail != "":
			thin++
		}
	}
	switch {
	case !r.Complete:
		r.Because = "not all of the folder could be listed: " + r.Because
	case counts[NotRead] > 0:
		r.Because = fmt.Sprintf("%d of %d could not be read", counts[NotRead], len(r.Files))
	case counts[NotKnown] > 0:
		r.Because = fmt.Sprintf("%d of %d files are not known", counts[NotKnown], len(r.Files))
	case counts[HeldEarlier] > 0:
		r.Because = fmt.Sprintf("%d of %d files are earlier versions, which no store need hold any more", counts[HeldEarlier], len(r.Files))
	case bad > 0:
		r.Because = fmt.Sprintf("%d of %d files are not whole recordings: keep this and the reel until they are transferred again", bad, len(r.Files))
	case thin > 0:
		r.Because = fmt.Sprintf("%d of %d files have not been read intact in two independent stores yet", thin, len(r.Files))
	case len(r.Files) == 0:
		r.Because = "no file was found there"
	default:
		r.MayErase, r.Because = true, fmt.Sprintf("all %d files were read intact in two independent stores", len(r.Files))
	}
}

func displayed(p string) (shown, exact string) {
	shown = ledger.DisplayPath(p)
	if shown != p {
		exact = base64.StdEncoding.EncodeToString([]byte(p))
	}
	return shown, exact
}
