package main

import (
	"os"
	"path/filepath"
	"testing"

	"firmus/cmd/firmus/internal/config"
)

func TestUseCredentials(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{"mail-password", "store-cloud"} {
		if err := os.WriteFile(filepath.Join(dir, n), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	of := func() *config.Config {
		return &config.Config{Mail: &config.Mail{PasswordFile: "/etc/firmus/mail"}, Stores: []config.Store{{Name: "cloud", Credentials: "/etc/firmus/key"}, {Name: "other", Credentials: "/etc/firmus/other"}, {Name: "disk"}}}
	}
	cfg := of()
	useCredentials(cfg, dir)
	for _, x := range []struct{ got, want string }{
		{cfg.Mail.PasswordFile, filepath.Join(dir, "mail-password")},
		{cfg.Stores[0].Credentials, filepath.Join(dir, "store-cloud")},
		{cfg.Stores[1].Credentials, "/etc/firmus/other"}, // not handed over: where it was
		{cfg.Stores[2].Credentials, ""},
	} {
		if x.got != x.want {
			t.Errorf("got %q, want %q", x.got, x.want)
		}
	}
	cfg = of()
	useCredentials(cfg, "")
	if cfg.Mail.PasswordFile != "/etc/firmus/mail" {
		t.Errorf("without a service manager: %q", cfg.Mail.PasswordFile)
	}
}
