package ledger_test

import (
	"bytes"
	"compress/flate"
	"database/sql"
	"io"
	"strings"
	"testing"
)

// column is the first column of a query's rows.
func column(t *testing.T, db *sql.DB, q string, args ...any) []string {
	t.Helper()
	rows, err := db.Query(q, args...)
	if err != nil {
		t.Fatalf("%s: %v", q, err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// col is a column with the sort of its values: "int", "text" or "blob".
type col struct{ name, kind string }

func columns(t *testing.T, db *sql.DB, table string) []col {
	t.Helper()
	rows, err := db.Query(`SELECT * FROM ` + table + ` LIMIT 0`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	types, err := rows.ColumnTypes()
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]string{"INTEGER": "int", "INT8": "int", "TEXT": "text", "BLOB": "blob", "BYTEA": "blob"}
	var out []col
	for _, c := range types {
		k, ok := kinds[strings.ToUpper(c.DatabaseTypeName())]
		if !ok {
			t.Fatalf("%s.%s is of type %q", table, c.Name(), c.DatabaseTypeName())
		}
		out = append(out, col{c.Name(), k})
	}
	return out
}

// sameLines says that two packed rows unfold to the same lines.
func sameLines(a, b []byte) bool {
	x, err1 := io.ReadAll(flate.NewReader(bytes.NewReader(a)))
	y, err2 := io.ReadAll(flate.NewReader(bytes.NewReader(b)))
	return err1 == nil && err2 == nil && bytes.Equal(x, y)
}
