package report

import (
	"time"

	"firmus/fixity/ledger"
)

// SignInUntil says when the sign-in to a service ends, as people write a day.
func SignInUntil(end, now time.Time) string {
	end = end.In(time.Local)
	layout := "2 Jan"
	if end.Year() != now.In(time.Local).Year() {
		layout = "2 Jan 2006"
	}
	if !now.Before(end) {
		return "sign-in: ended " + end.Format(layout) + "; sign in again"
	}
	return "sign-in: until " + end.Format(layout)
}

// RecordCheck says what a check of the record came to: "" where it was found to be what was
// written.
func RecordCheck(f ledger.Firing) string {
	switch f.Outcome {
	case ledger.FiringBroken:
		return "IT IS NOT WHAT WAS WRITTEN, as checked " + Local(f.Ended) + ": " + Plainly(f.Trouble) + ". Change nothing and ask somebody qualified"
	case ledger.FiringFailed:
		return "it could not be checked, " + Local(f.Ended) + ": " + Plainly(f.Trouble)
	}
	return ""
}
