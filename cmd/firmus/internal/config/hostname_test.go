package config_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
)

// TestHostNameOf makes names of hosts of what systems call their computers: each can be one, and
// two computers never get the same.
func TestHostNameOf(t *testing.T) {
	long := strings.Repeat("quillmere-", 20)
	names := map[string]string{}
	for system, want := range map[string]string{
		"STUDIO-PC": "studio-pc", "server-a.quillmere.example": "server-a.quillmere.example", "Jürgens PC": "j-rgens-pc-", "Jörgens PC": "j-rgens-pc-",
		"工房": "host-", "資料": "host-", "-server-": "server-", "studio pc": "studio-pc-", long: "quillmere-", long + "b": "quillmere-",
	} {
		got, ok := config.HostNameOf(system)
		if _, can := config.HostName(got); !ok || !can || !strings.HasPrefix(got, want) {
			t.Errorf("%q became %q", system, got)
		}
		if other, taken := names[got]; taken {
			t.Errorf("%q and %q both became %q", system, other, got)
		}
		names[got] = system
	}
	if got, ok := config.HostNameOf(""); ok {
		t.Errorf("a computer without a name is %q", got)
	}
}
