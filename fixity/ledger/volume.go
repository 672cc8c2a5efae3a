package ledger

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Volumes are the volumes that the roots were last seen to lie on.
func (t Stores) Volumes() (map[care.RootOf]string, error) {
	out := map[care.RootOf]string{}
	err := t.rows(`SELECT store, set_name, volume FROM store_set WHERE volume <> ''`, nil, func(r *sql.Rows) error {
		var x care.RootOf
		var v string
		err := r.Scan(&x.Store, &x.Set, &v)
		out[x] = v
		return err
	})
	return out, err
}

// PutVolumes keeps the volumes of roots. Roots that the ledger doesn't know are let pass.
func (t Stores) PutVolumes(volumes map[care.RootOf]string) error {
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
func (t Stores) Rules() (care.Rules, error) {
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
func (t Copies) SetSameAs(c Copy, store string) (bool, error) {
	if c.SameAs == store {
		return false, nil
	}
	is := c
	is.SameAs = store
	if err := t.shown(c, is); err != nil {
		return false, err
	}
	_, err := t.exec(`UPDATE instance SET same_as = $6 WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at = $5`,
		c.Store, c.Set, c.Carrier, []byte(top(c.At)), []byte(c.At), store)
	return true, err
}

// inStates is the condition that a column has one of the states of which a rule says yes.
func inStates(column string, rule func(fixity.State) bool) string {
	var in []string
	for _, s := range care.States {
		if rule(s) {
			in = append(in, "'"+string(s)+"'")
		}
	}
	return column + ` IN (` + strings.Join(in, ", ") + `)`
}

// isOf is the condition that a copy, so called, of the file f is one of its own and was
// shown to hold the file's version; which stores keep it is asked of care.Rules.Keeps.
func isOf(alias string) string {
	return alias + `.held = f.version AND f.version > 0 AND ` + alias + `.same_as = ''`
}

// maxStores is how many stores have a bit of their own in a sum of stores.
const maxStores = 62

// holders tells in one number which stores were shown to hold a file: each store that
// the configuration names has a bit.
type holders struct {
	stores []string
	sum    string // an SQL expression over the copies of one file, which are called alias
	args   []any
}

// holders makes the expression. first is the number of its first argument; counts is the
// condition of the states in which a copy counts.
func (t Copies) holders(alias string, first int, counts string) (holders, error) {
	h, rules := holders{}, t.l.o.Rules
	for _, s := range rules.Stores {
		h.stores = append(h.stores, s.Name)
	}
	if discs := rules.Discs(); !slices.Contains(h.stores, discs) {
		h.stores = append(h.stores, discs)
	}
	slices.Sort(h.stores)
	if len(h.stores) > maxStores {
		return h, fmt.Errorf("the configuration names %d stores; copies can be counted for at most %d", len(h.stores), maxStores)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `CAST(coalesce(sum(DISTINCT CASE WHEN %[3]s AND %[2]s THEN CASE %[1]s.store || '/' || %[1]s.set_name`,
		alias, counts, isOf(alias))
	for i, s := range h.stores {
		for _, set := range rules.Sets {
			if rules.Keeps(s, set.Name) {
				fmt.Fprintf(&b, " WHEN $%d THEN CAST(%d AS BIGINT)", first+len(h.args), int64(1)<<i)
				h.args = append(h.args, s+"/"+set.Name)
			}
		}
	}
	if len(h.args) == 0 {
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
