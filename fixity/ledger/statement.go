package ledger

import "database/sql"

// statement is a query as it was used in one transaction.
type statement struct {
	prepared *sql.Stmt // nil after its first use
	open     bool      // its rows are being read
}

// statement prepares a query that is used for the second time: parsing takes SQLite
// longer than most of ours take to run. It gives nil for the first time, while an
// outer call reads the same query's rows, and on PostgreSQL, whose driver does this
// by itself.
func (t *Tx) statement(query string) (*statement, error) {
	if t.l.postgres {
		return nil, nil
	}
	s := t.statements[query]
	switch {
	case s == nil:
		if t.statements == nil {
			t.statements = map[string]*statement{}
		}
		t.statements[query] = &statement{}
		return nil, nil
	case s.open:
		return nil, nil
	case s.prepared == nil:
		p, err := t.q.PrepareContext(t.ctx, query) // closed with the transaction
		if err != nil {
			return nil, err
		}
		s.prepared = p
	}
	return s, nil
}

func (t *Tx) execute(query string, args []any) (sql.Result, error) {
	s, err := t.statement(query)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return t.q.ExecContext(t.ctx, query, args...)
	}
	return s.prepared.ExecContext(t.ctx, args...)
}

// query is used until done is called.
func (t *Tx) query(query string, args []any) (rs *sql.Rows, done func(), err error) {
	s, err := t.statement(query)
	if err != nil {
		return nil, nil, err
	}
	if s == nil {
		rs, err = t.q.QueryContext(t.ctx, query, args...)
		return rs, func() { rs.Close() }, err
	}
	s.open = true
	rs, err = s.prepared.QueryContext(t.ctx, args...)
	if err != nil {
		s.open = false
	}
	return rs, func() { rs.Close(); s.open = false }, err
}

// one is for a query of at most one row, which is read at once.
func (t *Tx) one(query string, args ...any) interface{ Scan(...any) error } {
	s, err := t.statement(query)
	switch {
	case err != nil:
		return failed{err}
	case s == nil:
		return t.q.QueryRowContext(t.ctx, query, args...)
	}
	return s.prepared.QueryRowContext(t.ctx, args...)
}

// failed is the row of a query that could not be asked.
type failed struct{ error }

func (f failed) Scan(...any) error { return f.error }
