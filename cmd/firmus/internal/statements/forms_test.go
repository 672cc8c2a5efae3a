package statements_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// The statements of a reel and of the holdings say the same in each form.
func TestForms(t *testing.T) {
	t.Parallel()
	w := aFewMonths(t)
	w.tx(made, func(t *ledger.Tx) error {
		return t.Register.PutSays([]fixity.RegisterSays{
			{Item: "QV-0107", Side: "A", Line: 212, Text: `{"Title":"The mill below the weir","Base":"acetate","Condition":"sheds","Box":"7","Line":212,"Length":{"Text":"31:52"}}`},
			{Item: "QV-0107", Side: "B", Line: 213, Text: `{"Title":"=1+1","Line":213}`, Unplayable: true},
		}, "Ada Wren")
	})
	hurt := func(f ledger.Finding) ([]damage.Span, error) {
		return []damage.Span{{InSound: true, From: 1062e9, To: 1063e9}}, nil
	}
	for _, item := range []string{"QV-0107", "QV-0108", "=1+1"} {
		i, err := statements.MakeItem(t.Context(), w.l, archive, w.rules, item, made)
		if err != nil {
			t.Fatal(err)
		}
		if err := i.Draw(hurt); err != nil {
			t.Fatal(err)
		}
		name := map[string]string{"QV-0107": "item", "QV-0108": "item-damaged", "=1+1": "item-hostile"}[item]
		w.golden(name, i)
		var page strings.Builder
		if err := i.HTML(&page); err != nil || strings.Contains(page.String(), `class="stave"`) != (item != "=1+1") {
			t.Errorf("%s: a recording whose length is known has a picture, and no other: %v", item, err)
		}
	}
	h, err := statements.MakeHoldings(t.Context(), w.l, archive, w.rules, made)
	if err != nil {
		t.Fatal(err)
	}
	w.golden("holdings", h)
}
