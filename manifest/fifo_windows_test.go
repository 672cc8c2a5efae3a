package manifest_test

import "testing"

func mkfifo(t *testing.T, _ string) { t.Skip("no FIFOs in folders there") }
