package cloud

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
)

// Class says what an error of a service is about, and so what to do about it.
type Class uint8

// Classes of errors.
const (
	Later      Class = iota + 1 // may work after a while: too many calls, an outage, a broken connection
	Tomorrow                    // an allowance is used up: nothing will work before the next day
	ThisFile                    // only this file can't be had
	NotVisible                  // there is no such thing, or it isn't shared
	Refused                     // the service doesn't accept the call as it is
	Blind                       // the credential doesn't work: nothing can be seen at all
)

func (c Class) String() string {
	switch c {
	case Later:
		return "later"
	case Tomorrow:
		return "tomorrow"
	case ThisFile:
		return "this file"
	case NotVisible:
		return "not visible"
	case Refused:
		return "refused"
	case Blind:
		return "blind"
	}
	return fmt.Sprintf("class %d", uint8(c))
}

// Sentinels that an *Error wraps, beside those of package fixity.
var (
	// ErrLater: it was tried as often as allowed.
	ErrLater = errors.New("try again later")
	// ErrTomorrow: an allowance of the service for today is used up.
	ErrTomorrow = errors.New("not before tomorrow")
	// ErrBlind: the credential doesn't work. It comes with fixity.ErrAway: no store
	// that is read with this credential can be seen until a person has done something.
	ErrBlind = fixity.ErrBlind
)

// Error is what a service answered instead of what it was asked for.
type Error struct {
	Class  Class
	Status int           // of the HTTP answer; 0 if none came
	Reason string        // the service's own word for it
	Text   string        // what it means, in plain words
	After  time.Duration // the service asks to wait so long; 0 if it doesn't say
	Partly bool          // bytes of the file came, and broke off: the service is there
	Err    error         // may be nil
}

func (e *Error) Error() string {
	s := e.Text
	if s == "" {
		s = e.Class.String()
	}
	if e.Status != 0 || e.Reason != "" {
		s += fmt.Sprintf(" (answer %d", e.Status)
		if e.Reason != "" {
			s += fmt.Sprintf(", reason %q", e.Reason)
		}
		s += ")"
	}
	if e.Err != nil {
		s += ": " + short(e.Err.Error())
	}
	return s
}

// quoted is how many bytes of a cause are told: a server may have put any text into it.
const quoted = 200

func short(s string) string {
	if len(s) <= quoted {
		return s
	}
	return strings.ToValidUTF8(s[:quoted], "") + "…"
}

// Unwrap gives the cause, and the sentinels that the class stands for.
func (e *Error) Unwrap() []error {
	var all []error
	switch e.Class {
	case Tomorrow:
		all = []error{ErrTomorrow}
	case ThisFile:
		all = []error{fixity.ErrDenied}
	case Blind:
		all = []error{ErrBlind, fixity.ErrAway}
	case Later:
		all = []error{ErrLater}
		// Nothing and nobody that could say more about the store was reached.
		if (e.Status == 0 || e.Status >= 500) && !e.Partly {
			all = append(all, fixity.ErrAway)
		}
	}
	if e.Err != nil {
		all = append(all, e.Err)
	}
	return all
}

// classOf is the class of err, 0 if it isn't an *Error.
func classOf(err error) Class {
	var e *Error
	if errors.As(err, &e) {
		return e.Class
	}
	return 0
}
