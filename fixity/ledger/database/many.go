package database

import (
	"slices"
	"strconv"
	"strings"
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
// of one length, into a table: into is their beginning, up to the columns.
func Insert(into string, rows [][]any, run func(query string, args ...any) (int64, error)) error {
	for len(rows) > 0 {
		n := inserted[slices.IndexFunc(inserted, func(n int) bool { return n <= len(rows) })]
		q := strings.Builder{}
		q.WriteString(into + " VALUES ")
		var args []any
		for i, r := range rows[:n] {
			if i > 0 {
				q.WriteString(", ")
			}
			q.WriteByte('(')
			numbered(&q, len(args), len(r))
			q.WriteByte(')')
			args = append(args, r...)
		}
		if _, err := run(q.String(), args...); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
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
