package database

import (
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Statements about many rows come in few lengths: each is prepared once, and kept.
var (
	listed   = []int{250, 32, 4, 1}
	inserted = []int{100, 16, 4, 1}
)

// Among has ask called for some of the values at a time, with their places for IN (…), which
// are numbered behind the first after ones. A list may hold a value more than once.
func Among[T any](after int, values []T, ask func(places string, some []any) error) error {
	for len(values) > 0 {
		n := listed[0]
		for _, m := range listed[1:] {
			if len(values) <= m {
				n = m
			}
		}
		some := make([]any, n)
		for i := range some {
			some[i] = values[min(i, len(values)-1)]
		}
		var in strings.Builder
		numbered(&in, after, n)
		if err := ask(in.String(), some); err != nil {
			return err
		}
		values = values[min(n, len(values)):]
	}
	return nil
}

// Insert has run called with the text and the arguments of statements that insert rows, all
// of one length, into a table: into is their beginning, up to the columns, and rest what stands
// behind the rows.
func Insert(into, rest string, rows [][]any, run func(query string, args ...any) (int64, error)) error {
	for len(rows) > 0 {
		n := inserted[slices.IndexFunc(inserted, func(n int) bool { return n <= len(rows) })]
		args := make([]any, 0, n*len(rows[0]))
		for _, r := range rows[:n] {
			args = append(args, r...)
		}
		if _, err := run(textOf(insertion{into, rest, n, len(rows[0])}), args...); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
}

// insertion is a statement that inserts rows of some columns.
type insertion struct {
	into, rest string
	rows, cols int
}

// insertions are the texts of insertions that were made: one has thousands of places.
var insertions sync.Map

func textOf(x insertion) string {
	if text, ok := insertions.Load(x); ok {
		return text.(string)
	}
	var q strings.Builder
	q.WriteString(x.into + " VALUES ")
	for i := range x.rows {
		if i > 0 {
			q.WriteString(", ")
		}
		q.WriteByte('(')
		numbered(&q, i*x.cols, x.cols)
		q.WriteByte(')')
	}
	q.WriteString(x.rest)
	text, _ := insertions.LoadOrStore(x, q.String())
	return text.(string)
}

func numbered(b *strings.Builder, after, n int) {
	for i := range n {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteByte('$')
		b.WriteString(strconv.Itoa(after + i + 1))
	}
}
