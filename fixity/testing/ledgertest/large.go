package ledgertest

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Large is a ledger of many files, each with a copy in each of the stores, filled as an
// intake fills it: the record proves it, and its tallies are its own. There is no file of
// them on any drive.
type Large struct {
	Ledger *ledger.Ledger
	Set    string
	Stores []string // the first is where files arrive
	Now    time.Time
}

// InFolder is how many files lie in each folder of a Large.
const InFolder = 200

// PathIn is the path of a file of a Large; 0 is the first.
func PathIn(i int) string {
	return fmt.Sprintf("QV-%05d/QV-%05d_take-%07d.wav", i/InFolder, i/InFolder, i)
}

// Adopt makes the stores known.
func (x Large) Adopt(ctx context.Context, kind string) error {
	return x.Ledger.Tx(ctx, x.Now, func(t *ledger.Tx) error {
		for _, s := range x.Stores {
			if err := t.Stores.Put(ledger.Store{Name: s, Kind: kind, Roots: []ledger.Root{{Set: x.Set, Root: s + "/" + x.Set}}}); err != nil {
				return err
			}
			if err := t.Stores.Adopt(s, x.Set, fixity.Identity{Store: s, Set: x.Set}, "a test", "it begins"); err != nil {
				return err
			}
		}
		return nil
	})
}

// Fill takes files from one number up to another under care, each of 1 to 4 blocks of
// 64 KiB.
func (x Large) Fill(ctx context.Context, from, to int) error {
	var a ledger.Audit
	if err := x.Ledger.Tx(ctx, x.Now, func(t *ledger.Tx) (err error) {
		a, _, err = t.Audits.Begin(ledger.Audit{Store: x.Stores[0], Kind: ledger.Intake, Sets: []string{x.Set}, Cache: fixity.Bypassed, By: "a test", Run: x.Now})
		return err
	}); err != nil {
		return err
	}
	for first := from; first < to; first += 500 {
		if err := x.Ledger.Tx(ctx, x.Now, func(t *ledger.Tx) error {
			var news []ledger.NewFile
			for i := first; i < min(first+500, to); i++ {
				news = append(news, x.file(i))
			}
			files, err := t.Files.AddAll("a test", news)
			if err != nil {
				return err
			}
			var rs []ledger.IntakeReading
			var copies []ledger.Copy
			for i, f := range files {
				for _, s := range x.Stores {
					written := f.Changed.UnixNano()
					rs = append(rs, ledger.IntakeReading{Store: s, File: f.ID, Size: news[i].Version.Size, Cache: fixity.Bypassed, Outcome: fixity.ReadIntact, At: x.Now})
					copies = append(copies, ledger.Copy{Store: s, Set: x.Set, At: f.Path, File: f.ID, State: fixity.Intact, Held: 1, Size: news[i].Version.Size,
						ModTime: written, InodeAt: written, Due: x.Now.Add(30 * 24 * time.Hour),
						Read: fixity.Evidence{Strength: fixity.Read, At: x.Now, OK: true, Cache: fixity.Bypassed}})
				}
			}
			if err := t.Copies.PutNew(copies); err != nil {
				return err
			}
			return t.Audits.TakenIn(a, x.Set, "a test", rs)
		}); err != nil {
			return err
		}
	}
	return nil
}

func (x Large) file(i int) ledger.NewFile {
	var seed [32]byte
	binary.LittleEndian.PutUint64(seed[:], uint64(i))
	r := rand.NewChaCha8(seed)
	sum := func(a fixity.Algorithm) fixity.Digest {
		b := make([]byte, 32)
		_, _ = r.Read(b) // never fails
		return fixity.DigestOf(a, b)
	}
	blocks := make([]uint32, 1+i%4)
	for k := range blocks {
		blocks[k] = uint32(r.Uint64())
	}
	size, written := int64(len(blocks))<<16-int64(i%1000), x.Now.Add(-time.Duration(i)*time.Second)
	v := ledger.VersionOf(size, []fixity.Digest{sum(fixity.BLAKE3), sum(fixity.SHA256)}, blocks, "a test", "")
	v.Sound = &ledger.Sound{JSON: `{"form":"wave","coding":"pcm","rate":48000,"bits":24,"channels":2,"frames":1048576}`, Samples: sum(fixity.BLAKE3), Duration: time.Duration(size) * time.Microsecond}
	return ledger.NewFile{Set: x.Set, Path: PathIn(i), Changed: written, Vouched: true, Version: v}
}

// Read has a store's copies read once, by a full audit that finds all of them as they
// should be but every n-th, which holds other bytes; n = 0 is none.
func (x Large) Read(ctx context.Context, store string, now time.Time, n int) error {
	rec := x.Ledger.Record(func() time.Time { return now }, "a test")
	var a ledger.Audit
	if err := x.Ledger.Tx(ctx, now, func(t *ledger.Tx) (err error) {
		if a, _, err = t.Audits.Begin(ledger.Audit{Store: store, Kind: ledger.Plain, Sets: []string{x.Set}, Full: true, Cache: fixity.Bypassed, By: "a test", Run: now}); err != nil {
			return err
		}
		_, err = t.Audits.AddShards(a, x.Set, nil)
		return err
	}); err != nil {
		return err
	}
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve} {
		if err := x.each(ctx, rec, a.ID, p, func(s fixity.Shard) error {
			if p == fixity.PhaseList {
				return rec.CommitListing(ctx, fixity.Listed{Shard: s, Done: true})
			}
			return rec.CommitReadings(ctx, fixity.Readings{Shard: s, End: true, Done: true})
		}); err != nil {
			return err
		}
	}
	k := 0
	return x.each(ctx, rec, a.ID, fixity.PhaseRead, func(s fixity.Shard) error {
		for {
			due, err := rec.Due(ctx, s, 500)
			if err != nil {
				return err
			}
			var rs []fixity.Result
			cursor := ""
			for _, d := range due {
				r := fixity.Result{Path: d.Path, File: d.File, Version: d.Want.N, Size: d.Size, ModTime: d.ModTime, InodeAt: d.ModTime, Outcome: fixity.ReadIntact, Cache: fixity.Bypassed, At: now,
					Sums: []fixity.Digest{d.Want.Digest}}
				if k++; n > 0 && k%n == 0 {
					wrong := make([]byte, 32)
					binary.LittleEndian.PutUint64(wrong, uint64(k))
					r.Outcome, r.Version, r.Sums, r.Anatomy, r.Ranges = fixity.ReadDiffers, 0, []fixity.Digest{fixity.DigestOf(fixity.BLAKE3, wrong)}, fixity.Flipped, []fixity.Range{{Offset: 4096, Length: 1}}
				}
				rs, cursor = append(rs, r), d.Path
			}
			if err := rec.CommitReadings(ctx, fixity.Readings{Shard: s, Cursor: cursor, Results: rs, End: len(due) < 500, Done: len(due) < 500}); err != nil || len(due) < 500 {
				return err
			}
			s.Attempt, s.Cursor = s.Attempt+1, cursor
		}
	})
}

func (x Large) each(ctx context.Context, rec ledger.Record, audit int64, p fixity.Phase, do func(fixity.Shard) error) error {
	jobs, err := rec.Open(ctx, audit, p)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		s, err := rec.Claim(ctx, j)
		if err != nil {
			return err
		}
		if err := do(s); err != nil {
			return err
		}
	}
	return rec.Advance(ctx, audit, p)
}
