package record

import (
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
	return sealOf(c), nil
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
func (t Log) GoesOnFrom(s Seal) error {
	now, err := t.head()
	if err != nil {
		return err
	}
	if now.Origin != s.c.Origin {
		return ErrOtherHoldings
	}
	if err := mlog.CheckExtends(s.c, now.Size, hashReader{t.tx, nil}); errors.Is(err, ErrRewritten) {
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
}

// Seal is what a checkpoint of now would say.
func (t Log) Seal() (Seal, error) {
	c, err := t.head()
	return sealOf(c), err
}

func sealOf(c mlog.Checkpoint) Seal {
	return Seal{strings.TrimPrefix(c.Origin, originPrefix), c.Size, c}
}
