package policy

import (
	"time"

	"firmus/fixity"
)

// InWindow says that an access file whose last change was seen at changed is
// inside its editing window at now. A change in the future (the clock was wrong)
// counts as now.
func InWindow(set Set, finished bool, changed, now time.Time) bool {
	return set.Role == fixity.Access && !finished && now.Sub(changed) < set.Editing
}
