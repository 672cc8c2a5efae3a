package ledger

import (
	"time"

	"firmus/fixity"
)

// HandOver is a bag of an item that was made, to be handed over.
type HandOver struct {
	Item       string
	To         string // the bag's place
	Package    string // tells the bag from all others
	Restricted bool
	Manifest   string // the tag manifest, which vouches for all else that is in the bag
	Digest     fixity.Digest
	Files      []HandedFile
}

// HandedFile is a version of a file that is in a bag.
type HandedFile struct{ File, Version int64 }

// HandedOver records that a bag was made.
func (t Files) HandedOver(h HandOver, by string) {
	files := make([][2]int64, len(h.Files))
	for i, f := range h.Files {
		files[i] = [2]int64{f.File, f.Version}
	}
	t.Event(Event{Verb: fixity.HandedOver, By: by, Data: map[string]any{"item": DisplayPath(h.Item), "to": DisplayPath(h.To), "package": h.Package, "restricted": h.Restricted,
		"manifest": h.Manifest, "algorithm": h.Digest.Algorithm, "digest": h.Digest.Sum, "files": files}})
}

// HandOverOf is what an event of that verb tells.
func HandOverOf(e Event) (h HandOver) {
	told := e.Told()
	h.Item, _ = told["item"].(string)
	h.To, _ = told["to"].(string)
	h.Package, _ = told["package"].(string)
	h.Restricted, _ = told["restricted"].(bool)
	h.Manifest, _ = told["manifest"].(string)
	algorithm, _ := told["algorithm"].(string)
	h.Digest.Algorithm = fixity.Algorithm(algorithm)
	h.Digest.Sum, _ = told["digest"].(string)
	files, _ := told["files"].([]any)
	for _, x := range files {
		if of, _ := x.([]any); len(of) == 2 {
			file, _ := of[0].(float64)
			version, _ := of[1].(float64)
			h.Files = append(h.Files, HandedFile{int64(file), int64(version)})
		}
	}
	return h
}

// HandOvers are the events of all bags that were made.
func (t Files) HandOvers(each func(Event) error) error {
	return t.Log.Between(time.Time{}, time.Time{}, []fixity.Verb{fixity.HandedOver}, each)
}

// Of are the receivings of a set that brought these bytes (BLAKE3), without their files, the
// oldest first.
func (t Sources) Of(set string, digest fixity.Digest) ([]Received, error) {
	return list(t.Tx, `SELECT r.id, r.source, r.at, r.by_name FROM received r
		WHERE r.set_name = $1 AND EXISTS (SELECT 1 FROM received_file f WHERE f.received = r.id AND f.blake3 = $2) ORDER BY r.id`,
		[]any{set, digest.Bytes()}, func(r row) (x Received, err error) {
			var at int64
			err = r.Scan(&x.ID, &x.Source, &at, &x.By)
			x.At = fromNanos(at)
			return x, err
		})
}

// With are the discs that a file was put on, those that were retired too, with the version.
func (t Discs) With(file int64) (out []Disc, versions []int64, err error) {
	type on struct{ disc, version int64 }
	all, err := list(t.Tx, `SELECT disc, version FROM disc_file WHERE file = $1 ORDER BY disc`, []any{file}, func(r row) (x on, err error) {
		err = r.Scan(&x.disc, &x.version)
		return x, err
	})
	for _, x := range all {
		d, err := t.Get(x.disc)
		if err != nil {
			return nil, nil, err
		}
		out, versions = append(out, d), append(versions, x.version)
	}
	return out, versions, err
}
