package hosts

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
)

// The jobs' library speaks in plain words, and what it said itself stays beside them.
func TestTheLogSpeaksPlainly(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	log := slog.New(atLeast{plain{slog.NewTextHandler(&b, nil)}, slog.LevelWarn}).With("host", "server-a")
	log.Info("Elector: gained leadership")
	log.Error("producer: Error fetching jobs", "err", errors.New("connection refused"))
	got := b.String()
	if strings.Count(got, "\n") != 1 || !strings.Contains(got, `msg="handing out jobs among the hosts failed; tried again" host=server-a library="producer: Error fetching jobs" err="connection refused"`) {
		t.Errorf("the log has %s", got)
	}
}
