package ledger

import (
	"database/sql"
	"fmt"
	"strings"

	"firmus/fixity/policy"
)

// Volumes are the volumes that the roots were last seen to lie on.
func (t *Tx) Volumes() (map[policy.RootOf]string, error) {
	out := map[policy.RootOf]string{}
	err := t.rows(`SELECT store, set_name, volume FROM store_set WHERE volume <> ''`, nil, func(r *sql.Rows) error {
		var x policy.RootOf
		var v string
		err := r.Scan(&x.Store, &x.Set, &v)
		out[x] = v
		return err
	})
	return out, err
}

// PutVolumes keeps the volumes of roots. Roots that the ledger doesn't know are let pass.
func (t *Tx) PutVolumes(volumes map[policy.RootOf]string) error {
	for r, v := range volumes {
		if _, err := t.exec(`UPDATE store_set SET volume = $3 WHERE store = $1 AND set_name = $2`, r.Store, r.Set, v); err != nil {
			return err
		}
	}
	t.rules = nil
	return nil
}

// Rules are the rules of the configuration with what is known of where stores lie now:
// another process may have found it out, so each transaction looks it up for itself.
func (t *Tx) Rules() (policy.Rules, error) {
	if t.rules == nil {
		v, err := t.Volumes()
		if err != nil {
			return t.l.o.Rules, err
		}
		r := t.l.o.Rules.OnVolumes(v)
		t.rules = &r
	}
	return *t.rules, nil
}

// SetSameAs notes that a copy is the very file that another store has, under a second
// name; "" that it is a copy of its own. It says whether that was not known.
func (t *Tx) SetSameAs(c Copy, store string) (bool, error) {
	if c.SameAs == store {
		return false, nil
	}
	_, err := t.exec(`UPDATE instance SET same_as = $6 WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at = $5`,
		c.Store, c.Set, c.Carrier, []byte(top(c.At)), []byte(c.At), store)
	return true, err
}

// maxStores is how many stores have a bit of their own in a sum of stores.
const maxStores = 62

// holders tells in one number which stores were shown to hold a file: each store that
// the ledger knows has a bit.
type holders struct {
	stores []string
	sum    string // an SQL expression over the copies of one file, which are called alias
	args   []any
}

// holders makes the expression. first is the number of its first argument; counts is the
// condition of the states in which a copy counts.
func (t *Tx) holders(alias string, first int, counts string) (holders, error) {
	h := holders{}
	if err := t.rows(`SELECT name FROM store ORDER BY name`, nil, func(r *sql.Rows) error {
		var s string
		err := r.Scan(&s)
		h.stores = append(h.stores, s)
		return err
	}); err != nil {
		return h, err
	}
	if len(h.stores) > maxStores {
		return h, fmt.Errorf("the ledger knows %d stores; copies can be counted for %d", len(h.stores), maxStores)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `CAST(coalesce(sum(DISTINCT CASE WHEN %[1]s.held = f.version AND f.version > 0 AND %[1]s.same_as = '' AND %[2]s THEN CASE %[1]s.store`,
		alias, counts)
	for i, s := range h.stores {
		fmt.Fprintf(&b, " WHEN $%d THEN CAST(%d AS BIGINT)", first+i, int64(1)<<i)
		h.args = append(h.args, s)
	}
	if len(h.stores) == 0 {
		b.WriteString(" WHEN '' THEN CAST(0 AS BIGINT)")
	}
	b.WriteString(` ELSE CAST(0 AS BIGINT) END ELSE CAST(0 AS BIGINT) END), 0) AS BIGINT)`)
	h.sum = b.String()
	return h, nil
}

// in are the stores of a sum.
func (h holders) in(sum int64) []string {
	var out []string
	for i, s := range h.stores {
		if sum&(1<<i) != 0 {
			out = append(out, s)
		}
	}
	return out
}
