package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func leaves(t *testing.T, l *ledger.Ledger) (out [][]byte) {
	t.Helper()
	if err := l.View(context.Background(), func(x *ledger.Tx) error {
		return x.Log.Each(0, 10_000, func(e ledger.Event) error { out = append(out, bytes.Clone(e.Leaf())); return nil })
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// another is a fresh ledger on a database of the same kind.
func (d database) another(t *testing.T) *ledger.Ledger {
	if d.url != "" {
		return onPostgres(t).open()
	}
	return onSQLite(t).open()
}

// A record is made this ledger's again as far as its event files tell it, in whatever
// state a power cut or a wrong clock left them.
func TestATornLineOrAnotherMonthsFileNeverEndsARebuild(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.take("masters", "QV-0107/A.wav", "a", true, "studio", "vault")
		w.audit("studio", order{})
		all := leaves(t, w.l)
		n := len(all)
		text := func(ls [][]byte) string { return string(bytes.Join(ls, []byte("\n"))) + "\n" }
		moved := append(slices.Delete(slices.Clone(all), n/2, n/2+1), all[n/2])
		other := slices.Insert(slices.Clone(all), n/2, bytes.Replace(all[n/2], []byte(`"by":"`), []byte(`"by":"another `), 1))
		for _, c := range []struct {
			name, text string
			want       int
		}{
			{"whole", text(all), n},
			{"torn at its end", text(all) + `{"seq":99,"at":"2024`, n},
			{"zeros at its end", text(all) + strings.Repeat("\x00", 900), n},
			{"torn at the end of a month", text(all[:n/2]) + `{"seq":` + "\n" + text(all[n/2:]), n},
			{"an event in another month's file", text(moved), n},
			{"twice", text(all) + text(all[n/2:]), n},
			{"a line lacks", text(slices.Delete(slices.Clone(all), n/2, n/2+1)), n / 2},
			{"two futures", text(other), n / 2},
		} {
			l := d.another(t)
			got, err := l.ImportEvents(context.Background(), begun, strings.NewReader(c.text), "Ada Wren")
			if err != nil || got != int64(c.want) {
				t.Errorf("%s: %d events of %d: %v", c.name, got, c.want, err)
				continue
			}
			if _, err := l.Verify(context.Background()); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			if now := leaves(t, l); !bytes.Equal(bytes.Join(now[:got], nil), bytes.Join(all[:got], nil)) {
				t.Errorf("%s: other events", c.name)
			}
		}
		l := d.another(t)
		if _, err := l.ImportEvents(context.Background(), begun, strings.NewReader(text(all[1:])), "Ada Wren"); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("without its beginning: %v", err)
		}
	})
}
