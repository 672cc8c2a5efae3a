package ledger_test

import (
	"bytes"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestWhatAnEarlierFindingToldIsNeverLost: its sentence is a fact, word for word, before
// what was seen since; and the record vouches for that.
func TestWhatAnEarlierFindingToldIsNeverLost(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f, other := w.take(masters, side, "one", true, "studio", "vault"), w.take(masters, "QV-0107/QV-0107_B.wav", "two", true, "studio", "vault")
		w.rot("vault", masters, side, "oNe")
		w.rot("vault", masters, other.Path, "tWo")
		w.audit("vault", order{full: true})
		id, since := w.finding(f, "vault").ID, w.finding(other, "vault").ID
		if err := w.l.Close(); err != nil {
			t.Fatal(err)
		}
		const sentence = `read twice, 2025-11-25 02:11:04 UTC and 2025-11-25 02:19:10 UTC: the same wrong bytes; exchanged with "a\b.wav"`
		db := d.raw()
		for _, q := range []string{
			`ALTER TABLE finding ADD COLUMN detail TEXT NOT NULL DEFAULT ''`, `ALTER TABLE store ADD COLUMN medium TEXT NOT NULL DEFAULT ''`,
			`ALTER TABLE store ADD COLUMN follows TEXT NOT NULL DEFAULT ''`, `ALTER TABLE store_set ADD COLUMN cursor TEXT NOT NULL DEFAULT ''`,
			`INSERT INTO counter (name, value) VALUES ('facts to tell', 1)`, `DELETE FROM goose_db_version WHERE version_id >= 18`, `ALTER TABLE instance DROP COLUMN told_as`,
			`DROP TABLE disc_draw`, `DROP TABLE level_statement`, `DROP TABLE proposal`, `DROP TABLE web_place`, `DROP TABLE account`, `DROP TABLE web_session`, `DROP TABLE web_link`, `DROP INDEX instance_settled`,
			`DROP TABLE read_first`, `ALTER TABLE version DROP COLUMN checksums`, `DROP INDEX reading_files`, `ALTER TABLE reading DROP COLUMN low`, `ALTER TABLE reading DROP COLUMN high`, `DROP INDEX event_verb`, `DROP INDEX event_at`,
			`ALTER TABLE instance DROP COLUMN reported_by`, `ALTER TABLE instance DROP COLUMN sole`, `DROP TABLE host`, `DROP TABLE audit_host`, `DROP TABLE bearing`, `DROP TABLE extent`, `DROP TABLE item`, `DROP TABLE few`, `DROP TABLE age`, `DROP INDEX file_retired`,
			`DROP TABLE register_version`, `DROP TABLE register_row`, `DROP TABLE register_says`, `DROP TABLE register_problem`, `DROP TABLE register_reading`,
			`DROP INDEX instance_ahead`, `CREATE INDEX instance_due ON instance (store, set_name, top, due_at)`, `CREATE INDEX file_fold ON file (set_name, fold)`,
		} {
			mustExec(t, db, q)
		}
		mustExec(t, db, `UPDATE finding SET detail = $2, facts = $3 WHERE id = $1`, id, sentence, `{"wrong":"abc","wrong_way":"studio"}`)
		mustExec(t, db, `UPDATE finding SET detail = $2 WHERE id = $1`, since, sentence)
		var leaf []byte // of the event that says under which schema it was begun
		if err := db.QueryRow(`SELECT leaf FROM event WHERE seq = 0`).Scan(&leaf); err != nil || !bytes.Contains(leaf, []byte(`"schema":36`)) {
			t.Fatalf("%s, %v", leaf, err)
		}
		mustExec(t, db, `UPDATE event SET leaf = $1 WHERE seq = 0`, bytes.Replace(leaf, []byte(`"schema":36`), []byte(`"schema":17`), 1))
		rebuild(t, db)
		for range 2 {
			l := d.open()
			view(t, l, func(x *ledger.Tx) error {
				got, err := x.Findings.Get(id)
				if fact, ok := got.Facts.Find(fixity.AsTold); !ok || len(got.Facts.Seen) != 1 || fact.Said[0] != sentence || got.Facts.WrongWay != "studio" || got.Facts.Wrong != "abc" {
					t.Errorf("%+v", got.Facts)
				}
				if err == nil {
					got, err = x.Findings.Get(since)
				}
				if n := len(got.Facts.Seen); n < 2 || got.Facts.Seen[0].Is != fixity.AsTold || !got.Facts.Tells(fixity.SameWrong) {
					t.Errorf("with what was seen since: %+v", got.Facts)
				}
				return err
			})
			sound(t, l)
		}
		mustExec(t, db, `UPDATE finding SET facts = '{}'`)
		refused(t, d.open(), "facts that are gone")
	})
}
