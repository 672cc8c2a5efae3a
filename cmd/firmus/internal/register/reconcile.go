package register

// Reconcile ties the rows of a register to what the ledger knows, and says where the two
// disagree. A row that claims nothing, and of which nothing is there, is to transfer.
func Reconcile(rows []Row, k Known, s Settings) Result {
	t := newTier(rows, k, s)
	t.tie()
	out := Result{Rows: t.count}
	for _, l := range t.lines {
		there := l.reel.there(l.Side)
		l.ToTransfer = !there && !l.claims()
		if there {
			out.Matched++
		}
		if l.ToTransfer {
			out.ToTransfer++
		}
		out.Tied = append(out.Tied, l.Tied)
	}
	out.Problems = t.problems
	return out
}
