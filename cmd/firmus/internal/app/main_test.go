package app_test

import (
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

func TestMain(m *testing.M) {
	if file := os.Getenv(hostConfig); file != "" {
		fmt.Fprintln(os.Stderr, childHost(file))
		os.Exit(1)
	}
	if dir := os.Getenv(childDir); dir != "" {
		if err := endingChild(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	time.Local = time.FixedZone("QVT", 2*3600) // letters give local times
	// Most tests here wait for a drive, a daemon or a child of theirs, each in a world of its own.
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func (w *world) view(do func(x *ledger.Tx) error) {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	if err := a.Ledger.View(w.t.Context(), do); err != nil {
		w.t.Fatal(err)
	}
}
