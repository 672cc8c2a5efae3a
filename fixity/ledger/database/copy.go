package database

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"
)

// copyRows is how many rows are held at once while a table is copied.
const copyRows = 500

// ours are the ledger's tables with their columns, those of the migrations' own keeper left out.
func (d *DB) ours(t *Tx) (map[string][]string, error) {
	q := `SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite|_%' ESCAPE '|' ORDER BY m.name, c.cid`
	if d.postgres {
		q = `SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = current_schema() ORDER BY table_name, ordinal_position`
	}
	out := map[string][]string{}
	err := t.Rows(q, nil, func(r *sql.Rows) error {
		var table, column string
		err := r.Scan(&table, &column)
		if !strings.HasPrefix(table, "goose_") {
			out[table] = append(out[table], column)
		}
		return err
	})
	return out, err
}

// Copy fills the tables of another database, which has the same schema, with the rows that a
// transaction sees here; what was in them is removed first. It gives how many rows there are.
// Tables that the other one doesn't have aren't the ledger's.
func (d *DB) Copy(from *Tx, to *DB, into *Tx) (n int64, err error) {
	here, err := d.ours(from)
	if err != nil {
		return 0, err
	}
	there, err := to.ours(into)
	if err != nil {
		return 0, err
	}
	var tables []string
	for table, columns := range there {
		mine, theirs := slices.Sorted(slices.Values(here[table])), slices.Sorted(slices.Values(columns))
		if len(mine) == 0 && to.postgres {
			continue // of another program in that database
		}
		if !slices.Equal(mine, theirs) {
			return 0, fmt.Errorf("table %s has the columns %s here and %s there", table, strings.Join(mine, ", "), strings.Join(theirs, ", "))
		}
		tables = append(tables, table)
	}
	for table := range here {
		if there[table] == nil && !d.postgres {
			return 0, fmt.Errorf("there is no table %s there", table)
		}
	}
	slices.Sort(tables)
	for _, table := range tables {
		m, err := copyTable(from, into, table, here[table])
		if err != nil {
			return n, fmt.Errorf("copy table %s: %w", table, err)
		}
		n += m
	}
	return n, nil
}

func copyTable(from, into *Tx, table string, columns []string) (n int64, err error) {
	if _, err := into.Exec(`DELETE FROM ` + table); err != nil {
		return 0, err
	}
	var rows [][]any
	flush := func() error {
		n += int64(len(rows))
		err := Insert(`INSERT INTO `+table+` (`+strings.Join(columns, ", ")+`)`, "", rows, into.Exec)
		rows = rows[:0]
		return err
	}
	if err := from.Rows(`SELECT `+strings.Join(columns, ", ")+` FROM `+table, nil, func(r *sql.Rows) error {
		row, at := make([]any, len(columns)), make([]any, len(columns))
		for i := range row {
			at[i] = &row[i]
		}
		if err := r.Scan(at...); err != nil {
			return err
		}
		for i, v := range row {
			if b, ok := v.([]byte); ok && b == nil {
				row[i] = []byte{} // nil would be NULL
			}
		}
		if rows = append(rows, row); len(rows) < copyRows {
			return nil
		}
		return flush()
	}); err != nil {
		return n, err
	}
	return n, flush()
}

// Accept takes back what Refuse did in a database of PostgreSQL's; it does nothing where nothing
// was refused, nor to a file, which is never filled again.
func (d *DB) Accept(t *Tx) error {
	if !d.postgres {
		return nil
	}
	_, err := t.Exec(`DROP FUNCTION IF EXISTS ledger_refuses() CASCADE`)
	return err
}

// Refuse has every table of the ledger's refuse to be written from now on, by whichever
// process, but for one; why is what who tries is told.
func (d *DB) Refuse(t *Tx, but, why string) error {
	tables, err := d.ours(t)
	if err != nil {
		return err
	}
	text := "'" + strings.ReplaceAll(why, "'", "''") + "'"
	if d.postgres {
		if _, err := t.Exec(`CREATE FUNCTION ledger_refuses() RETURNS trigger LANGUAGE plpgsql AS $f$ BEGIN RAISE EXCEPTION USING MESSAGE = ` + text + `; END $f$`); err != nil {
			return err
		}
	}
	for table := range tables {
		if table == but || strings.HasPrefix(table, "river_") {
			continue
		}
		if d.postgres {
			if _, err := t.Exec(`CREATE TRIGGER refuses BEFORE INSERT OR UPDATE OR DELETE ON ` + table + ` EXECUTE FUNCTION ledger_refuses()`); err != nil {
				return err
			}
			continue
		}
		for _, verb := range []string{"INSERT", "UPDATE", "DELETE"} {
			if _, err := t.Exec(`CREATE TRIGGER refuses_` + verb + `_` + table + ` BEFORE ` + verb + ` ON ` + table + ` BEGIN SELECT RAISE(ABORT, ` + text + `); END`); err != nil {
				return err
			}
		}
	}
	return nil
}
