package app_test

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestHostsCompare damages a copy in a store that who leads the audit reaches, while the intact
// one is in a store that it doesn't: a host that reaches both says which bytes differ, and not
// only which blocks.
func TestHostsCompare(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	s.fill(1, 2, 200_000)
	bad := s.path("vault/QV-0000/QV-0000_01.wav")
	was, err := os.Stat(bad)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(bad)
	if err == nil {
		for i := range 5 {
			b[70_001+i] ^= 0xff
		}
		err = os.WriteFile(bad, b, 0o644)
	}
	if err == nil {
		err = os.Chtimes(bad, was.ModTime(), was.ModTime())
	}
	if err != nil {
		t.Fatal(err)
	}
	a := s.open("server-b")
	defer a.Close()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	audit := func() ledger.Finding {
		t.Helper()
		rs, err := a.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
		if err != nil || len(rs[0].Findings) != 1 {
			t.Fatalf("the audit gave %+v, %v", rs, err)
		}
		return rs[0].Findings[0]
	}
	// Alone it can't.
	if f := audit(); f.Facts.Tells(fixity.Compared) || len(f.Ranges) != 1 || f.Ranges[0].Length != 64<<10 {
		t.Errorf("without the other store it says %+v", f)
	}
	h := s.start("server-a")
	if f := audit(); !f.Facts.Tells(fixity.Compared) || !slices.Equal(f.Ranges, []fixity.Range{{Offset: 70_001, Length: 5}}) {
		t.Errorf("with a host that reaches both it says %+v; the host: %s", f, h.log)
	}
	s.whole(a)
}

// TestHostsTell: who leads an audit is told how much the hosts have read while they read, and what
// isn't audited.
func TestHostsTell(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "500kB/s"`)
	s.fill(10, 2, 100_000)
	a := s.open("studio-pc")
	defer a.Close()
	ctx := context.Background()
	left, err := a.Acts.NotAudited(ctx, acts.AuditOrder{})
	if err != nil || len(left) != 1 || left[0].Store != "studio" || len(left[0].Having) > 0 || !strings.Contains(left[0].String(), "it is reached from server-a, and this is studio-pc; none of them runs") {
		t.Errorf("not audited are %v, %v", left, err)
	}
	if left, err := a.Acts.NotAudited(ctx, acts.AuditOrder{Stores: []string{"vault"}}); err != nil || len(left) > 0 {
		t.Errorf("of one store, not audited are %v, %v", left, err)
	}
	s.start("server-a")
	s.start("server-b")
	if left, err := a.Acts.NotAudited(ctx, acts.AuditOrder{}); err != nil || len(left) != 1 || !slices.Equal(left[0].Having, []string{"server-a"}) || !strings.HasSuffix(left[0].String(), "server-a has it") {
		t.Errorf("not audited are %v, %v", left, err)
	}
	var files, bytes, times int64
	a.Acts.Progress.Elsewhere = func(store string, f, b int64) { files, bytes, times = files+f, bytes+b, times+1 }
	rs, err := a.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
	if err != nil || rs[0].Read != 20 {
		t.Fatalf("the audit gave %+v, %v", rs, err)
	}
	if files != 20 || bytes != rs[0].Bytes || times < 2 {
		t.Errorf("%d files and %d bytes were told, %d times; %d bytes were read", files, bytes, times, rs[0].Bytes)
	}
}
