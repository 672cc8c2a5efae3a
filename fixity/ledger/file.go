package ledger

import (
	"database/sql"
	"path"
	"strings"
	"time"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// File is a file under care.
type File struct {
	ID       int64
	Set      string
	Path     string
	Item     string
	Version  int64 // 0 while no version has authority
	Vouched  bool
	Changed  time.Time
	Finished bool
	TakenAt  time.Time
	TakenBy  string
	Retired  time.Time
}

// Version is one accepted state of a file's bytes.
type Version struct {
	N      int64
	Size   int64
	BLAKE3 fixity.Digest
	SHA256 fixity.Digest
	MD5    fixity.Digest // zero if it wasn't wanted
	// Checksums are those by algorithms that a service reports the file by, as they were read.
	Checksums []fixity.Digest
	Blocks    []uint32      // only where asked for
	Sound     *Sound        // of a new one: nil if it was not looked at
	Length    time.Duration // of the sound of one on record; 0: not known
	// Reason is in a person's words; "" if the program took it in, saw it saved while it
	// was being edited, or made it of later readings (Outvoted).
	Reason string
	By     string
	At     time.Time
	// Outvoted says that the program made it of two readings that outvoted the only one which
	// the version before it was made of.
	Outvoted bool
}

// VersionOf makes a version of what was read.
func VersionOf(size int64, sums []fixity.Digest, blocks []uint32, by, reason string) Version {
	v := Version{Size: size, Blocks: blocks, By: by, Reason: reason}
	for _, d := range sums {
		switch d.Algorithm {
		case fixity.BLAKE3:
			v.BLAKE3 = d
		case fixity.SHA256:
			v.SHA256 = d
		case fixity.MD5:
			v.MD5 = d
		}
	}
	return v
}

// Fold is a path for comparison across file systems: NFC and case-folded. It is
// never used as a name.
func Fold(p string) string {
	return cases.Fold().String(norm.NFC.String(strings.ToValidUTF8(p, "\ufffd")))
}

// Top is the first folder of a path, "" if it has none: the shard it is listed in.
func Top(p string) string { return top(p) }

func top(p string) string {
	t, _, found := strings.Cut(p, "/")
	if !found {
		return ""
	}
	return t
}

// itemOf is the item that a path of a set belongs to.
func (t Files) itemOf(set, p string) string {
	s, _ := t.l.o.Rules.Set(set)
	return s.ItemOf(p)
}

const fileColumns = `id, set_name, path, item, version, vouched, changed_at, finished, taken_at, taken_by, retired_at`

func scanFile(r row) (File, error) {
	var f File
	var p, item []byte
	var vouched, changed, finished, taken, retired int64
	if err := r.Scan(&f.ID, &f.Set, &p, &item, &f.Version, &vouched, &changed, &finished, &taken, &f.TakenBy, &retired); err != nil {
		return File{}, err
	}
	f.Path, f.Item, f.Vouched, f.Finished = string(p), string(item), vouched != 0, finished != 0
	f.Changed, f.TakenAt, f.Retired = fromNanos(changed), fromNanos(taken), fromNanos(retired)
	return f, nil
}

// Get reads a file by its number; fixity.ErrNotFound if there is none.
func (t Files) Get(id int64) (File, error) {
	f, err := scanFile(t.one(`SELECT `+fileColumns+` FROM file WHERE id = $1`, id))
	return f, notFound(err)
}

// At reads the file under care at a path of a set.
func (t Files) At(set, p string) (File, error) {
	f, err := scanFile(t.one(`SELECT `+fileColumns+` FROM file WHERE set_name = $1 AND path = $2 AND retired_at = 0`, set, []byte(p)))
	return f, notFound(err)
}

func notFound(err error) error {
	if err == sql.ErrNoRows {
		return fixity.ErrNotFound
	}
	return err
}

// Each calls each for up to n files of a set after a path, in path order. each may
// ask the ledger: no cursor is open then.
func (t Files) Each(set, after string, n int, each func(File) error) error {
	out, err := list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE set_name = $1 AND retired_at = 0 AND path > $2 ORDER BY path LIMIT $3`, []any{set, []byte(after), n}, scanFile)
	if err != nil {
		return err
	}
	for _, f := range out {
		if err := each(f); err != nil {
			return err
		}
	}
	return nil
}

// NewFile is a file that is to come under care, with its first version; a zero version is
// of a disputed file, of which none has authority.
type NewFile struct {
	Set, Path string
	Changed   time.Time
	Vouched   bool
	Version   Version
}

// Add takes a file under care.
func (t Files) Add(set, p, by string, changed time.Time, vouched bool, v Version) (File, error) {
	fs, err := t.AddAll(by, []NewFile{{set, p, changed, vouched, v}})
	if err != nil {
		return File{}, err
	}
	return fs[0], nil
}

// AddAll takes files under care, which get their numbers in this order.
func (t Files) AddAll(by string, all []NewFile) ([]File, error) {
	id, err := t.nextIDs("file", int64(len(all)))
	if err != nil {
		return nil, err
	}
	var out []File
	var rows [][]any
	var versions []newVersion
	for i, x := range all {
		f := File{ID: id + int64(i), Set: x.Set, Path: x.Path, Item: t.itemOf(x.Set, x.Path), Vouched: x.Vouched, Changed: x.Changed, TakenAt: t.now, TakenBy: by}
		if !x.Version.BLAKE3.IsZero() {
			f.Version = 1
			versions = append(versions, newVersion{f.ID, 1, x.Version})
		}
		t.before[f.ID], t.taken[f.ID] = filed{}, nanos(t.now)
		is := filed{set: f.Set, path: f.Path, item: f.Item}
		if f.Version > 0 && x.Version.Sound != nil {
			is.sound = x.Version.Sound.Duration
		}
		t.fresh[f.ID] = &fresh{filed: is, version: f.Version}
		out = append(out, f)
		rows = append(rows, []any{f.ID, f.Set, []byte(f.Path), Fold(path.Base(f.Path)), []byte(f.Item), f.Version, b2i(f.Vouched), nanos(f.Changed), nanos(t.now), by})
	}
	if err := t.insert(`INSERT INTO file (id, set_name, path, fold, item, version, vouched, changed_at, taken_at, taken_by)`, rows); err != nil {
		return nil, err
	}
	return out, t.insertVersions(versions)
}

// AddVersion makes v the file's current version and gives its number.
func (t Files) AddVersion(file int64, v Version, vouched bool) (int64, error) {
	newest, err := t.newestVersion(file)
	if err != nil {
		return 0, err
	}
	n := newest + 1
	if err := t.Copies.affects(file); err != nil {
		return 0, err
	}
	if err := t.insertVersions([]newVersion{{file, n, v}}); err != nil {
		return 0, err
	}
	if _, err := t.exec(`UPDATE file SET version = $2, vouched = $3, changed_at = $4 WHERE id = $1`, file, n, b2i(vouched), nanos(t.now)); err != nil {
		return 0, err
	}
	return n, t.Manifests.owesAll(file)
}

type newVersion struct {
	file, n int64
	Version
}

func (t Files) insertVersions(all []newVersion) error {
	var rows, blocks, notes [][]any
	for _, v := range all {
		var samples []byte
		var lasts *int64
		heard := ""
		if v.Sound != nil {
			d := int64(v.Sound.Duration)
			heard, samples, lasts = v.Sound.JSON, v.Sound.Samples.Bytes(), &d
			for i, x := range v.Sound.Notes {
				notes = append(notes, []any{v.file, v.n, i, string(x.Code), x.At, x.Length, int64(x.From), int64(x.To), x.Count})
			}
		}
		rows = append(rows, []any{v.file, v.n, v.Size, v.BLAKE3.Bytes(), v.SHA256.Bytes(), v.MD5.Bytes(), v.Reason, v.By, nanos(t.now), heard, samples, lasts})
		blocks = append(blocks, []any{v.file, v.n, digest.EncodeBlocks(v.Blocks)})
	}
	if err := t.insert(`INSERT INTO version (file, n, size, blake3, sha256, md5, reason, by_name, at, sound, samples, duration)`, rows); err != nil {
		return err
	}
	if err := t.insert(`INSERT INTO block (file, n, sums)`, blocks); err != nil {
		return err
	}
	return t.insert(`INSERT INTO note (file, n, seq, code, at, length, since, until, count)`, notes)
}

// Versions are all accepted versions of a file, the oldest first, without blocks.
func (t Files) Versions(file int64) ([]Version, error) {
	// What outvoted a reading became a version in the transaction that tells of it, and at one time.
	return list(t.Tx, `SELECT n, size, blake3, sha256, md5, checksums, reason, by_name, at, COALESCE(duration, 0),
		EXISTS (SELECT 1 FROM event e WHERE e.file = v.file AND e.verb = 'outvoted' AND e.at = v.at)
		FROM version v WHERE file = $1 ORDER BY n`, []any{file}, func(r row) (Version, error) {
		var v Version
		var b3, s2, m5 []byte
		var at, long int64
		var words string
		if err := r.Scan(&v.N, &v.Size, &b3, &s2, &m5, &words, &v.Reason, &v.By, &at, &long, &v.Outvoted); err != nil {
			return v, err
		}
		v.Length = time.Duration(long)
		v.BLAKE3, v.SHA256, v.At = fixity.DigestOf(fixity.BLAKE3, b3), fixity.DigestOf(fixity.SHA256, s2), fromNanos(at)
		if len(m5) > 0 {
			v.MD5 = fixity.DigestOf(fixity.MD5, m5)
		}
		v.Checksums, _ = checksums(words)
		return v, nil
	})
}

// Version is one accepted version of a file, without blocks; fixity.ErrNotFound if
// there is none of that number.
func (t Files) Version(file, n int64) (Version, error) {
	all, err := t.Versions(file)
	if err != nil {
		return Version{}, err
	}
	for _, v := range all {
		if v.N == n {
			return v, nil
		}
	}
	return Version{}, fixity.ErrNotFound
}

// newestVersion is the highest number of a version of a file, 0 if it has none.
func (t Files) newestVersion(file int64) (n int64, err error) {
	err = t.row(`SELECT coalesce(max(n), 0) FROM version WHERE file = $1`, []any{file}, &n)
	return n, err
}

// versionWith is the newest version of a file that has these bytes, by BLAKE3; 0 if none has.
func (t Files) versionWith(file int64, blake3 fixity.Digest) (n int64, err error) {
	err = t.row(`SELECT coalesce(max(n), 0) FROM version WHERE file = $1 AND blake3 = $2`, []any{file, blake3.Bytes()}, &n)
	return n, err
}

// Blocks are the block sums of a version.
func (t Files) Blocks(file, n int64) ([]uint32, error) {
	var b []byte
	if err := t.row(`SELECT sums FROM block WHERE file = $1 AND n = $2`, []any{file, n}, &b); err != nil {
		return nil, err
	}
	return digest.DecodeBlocks(b)
}

// SetPath gives a file another place in its set.
func (t Files) SetPath(file int64, p string) error {
	f, err := t.Get(file)
	if err != nil {
		return err
	}
	if err := t.Copies.affects(file); err != nil {
		return err
	}
	_, err = t.exec(`UPDATE file SET path = $2, fold = $3, item = $4 WHERE id = $1`, file, []byte(p), Fold(path.Base(p)), []byte(t.itemOf(f.Set, p)))
	return err
}

// SetFinished ends a file's editing window.
func (t Files) SetFinished(file int64) error {
	_, err := t.exec(`UPDATE file SET finished = 1 WHERE id = $1`, file)
	return err
}

// Retire ends the care of a file: its copies are no longer expected anywhere.
func (t Files) Retire(file int64) error {
	if err := t.Copies.affects(file); err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE file SET retired_at = $2 WHERE id = $1`, file, nanos(t.now)); err != nil {
		return err
	}
	// Where it was misplaced its bytes are known as well.
	if _, err := t.exec(`UPDATE stray SET file = 0, due = 0, peace = 1 WHERE file = $1 AND file <> 0`, file); err != nil {
		return err
	}
	copies, err := t.Copies.Of(file)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if err := t.Copies.drop(c); err != nil {
			return err
		}
		// What still lies there is known: it isn't reported as unexpected.
		if c.Size >= 0 && c.State != fixity.Missing && c.Carrier == 0 {
			if _, err := t.exec(`INSERT INTO stray (store, set_name, top, at, size, mtime, first_at, peace) VALUES ($1, $2, $3, $4, $5, $6, $7, 1) ON CONFLICT DO NOTHING`,
				c.Store, c.Set, []byte(top(c.At)), []byte(c.At), c.Size, c.ModTime, nanos(t.now)); err != nil {
				return err
			}
		}
	}
	return nil
}
