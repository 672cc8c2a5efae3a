// Package discmap makes maps of how the sectors of a disc were read.
package discmap

import (
	"fmt"
	"strings"

	"firmus/replicas/optical"
)

// Of says of a disc's sectors how reading them ended: rows that follow each other, of
// which LBA is left out.
func Of(c optical.Contents, rows ...optical.Run) *optical.Map {
	var b strings.Builder
	next := int64(0)
	for _, r := range rows {
		fmt.Fprintf(&b, "%d+%d %s", next, r.Count, r.State)
		if r.Tries > 0 {
			fmt.Fprintf(&b, " %d", r.Tries)
		}
		b.WriteString("\n")
		next += r.Count
	}
	m, err := optical.ReadMap(strings.NewReader(fmt.Sprintf("firmus-disc-map 1\ndisc %s\nsectors %d\n%send\n", c.ID(), next, &b)))
	if err != nil {
		panic(err)
	}
	return m
}

// AtOnce, Retried, Doubtful, Bad and Untried are rows of a map.
func AtOnce(n int64) optical.Run   { return optical.Run{Count: n, State: optical.Read, Tries: 1} }
func Retried(n int64) optical.Run  { return optical.Run{Count: n, State: optical.Read, Tries: 3} }
func Doubtful(n int64) optical.Run { return optical.Run{Count: n, State: optical.Doubtful, Tries: 3} }
func Bad(n int64) optical.Run      { return optical.Run{Count: n, State: optical.Unreadable, Tries: 5} }
func Untried(n int64) optical.Run  { return optical.Run{Count: n, State: optical.Untried} }
