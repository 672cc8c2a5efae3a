package ledger

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// Seal is what a checkpoint says of a record. Whose signature it bears isn't looked at:
// a seal tells records apart, and proves nothing.
type Seal struct {
	Holdings string
	Events   int64
	c        mlog.Checkpoint
}

// ReadSeal reads a checkpoint's text; fixity.ErrRefused if it is none.
func ReadSeal(text []byte) (Seal, error) {
	c, err := mlog.Parse(text)
	if err != nil {
		return Seal{}, fmt.Errorf("%w: %w", err, fixity.ErrRefused)
	}
	return Seal{strings.TrimPrefix(c.Origin, originOf("")), c.Size, c}, nil
}

// Why a record is no continuation of the one that a seal is of.
var (
	// ErrOtherHoldings: it is the record of other holdings.
	ErrOtherHoldings = errors.New("it is of other holdings")
	// ErrDiverged: the two records have no more than a beginning in common.
	ErrDiverged = errors.New("its record has events that this one doesn't have")
	// ErrFuller: this ledger was rebuilt since, and a rebuilt one knows less.
	ErrFuller = errors.New("it was made before this ledger was made anew, and knows more")
)

// GoesOnFrom says whether this ledger knows all that one with this seal knew: its
// record begins with the other, and it was not rebuilt from less since. Else the error
// wraps ErrOtherHoldings, ErrDiverged or ErrFuller.
func (l *Ledger) GoesOnFrom(ctx context.Context, s Seal) error {
	return l.View(ctx, func(t *Tx) error {
		var origin string
		var size int64
		if err := t.row(`SELECT origin, size FROM log_head`, nil, &origin, &size); err != nil {
			return err
		}
		if origin != s.c.Origin {
			return ErrOtherHoldings
		}
		if err := mlog.CheckExtends(s.c, size, hashReader{t, nil}); errors.Is(err, ErrRewritten) {
			return ErrDiverged
		} else if err != nil {
			return err
		}
		var rebuilt int64
		if err := t.row(`SELECT coalesce(max(seq), -1) FROM event WHERE verb = $1`, []any{string(fixity.LedgerRebuilt)}, &rebuilt); err != nil {
			return err
		}
		if rebuilt >= s.Events {
			return ErrFuller
		}
		return nil
	})
}

// Begun says whether there is a ledger already, of whatever schema. It makes and
// changes nothing.
func Begun(ctx context.Context, o Options) (bool, error) {
	l := &Ledger{o: o, postgres: o.URL != ""}
	if l.fresh() {
		return false, nil
	}
	if !l.postgres {
		return true, nil // what is wrong with the file is for Open to say
	}
	if err := l.connect(); err != nil {
		return false, err
	}
	defer l.Close()
	var tables, heads int64
	if err := l.r.QueryRowContext(ctx, `SELECT count(*) FROM information_schema.tables WHERE table_name = 'log_head' AND table_schema = current_schema()`).Scan(&tables); err != nil || tables == 0 {
		return false, l.begunError(err)
	}
	err := l.r.QueryRowContext(ctx, `SELECT count(*) FROM log_head`).Scan(&heads)
	return heads > 0, l.begunError(err)
}

func (l *Ledger) begunError(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("ledger %s: %w", l.Where(), l.translate(err))
}
