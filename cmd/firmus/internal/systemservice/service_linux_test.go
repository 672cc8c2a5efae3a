package systemservice_test

import (
	"errors"
	"testing"

	"firmus/cmd/firmus/internal/systemservice"
	"firmus/fixity"
)

// Where no service is installed, that is said, whatever the system's own program makes of it.
func TestRemoveOfWhatIsNotInstalled(t *testing.T) {
	if is, err := systemservice.State(t.Context(), systemservice.Options{}); err != nil || is.Installed {
		t.Skipf("this computer has the service: %+v, %v", is, err)
	}
	if gone, err := systemservice.Remove(t.Context(), systemservice.Options{}); !errors.Is(err, fixity.ErrNotFound) || len(gone) > 0 {
		t.Errorf("removed %q: %v, want that it is not installed", gone, err)
	}
}
