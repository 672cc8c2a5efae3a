package sector_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"firmus/replicas/optical/sector"
)

func made(t *testing.T, lba int64) []byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(107, uint64(lba)))
	data := make([]byte, sector.Data)
	for i := range data {
		data[i] = byte(rng.Uint32())
	}
	raw := make([]byte, sector.Raw)
	sector.Encode(raw, lba, data)
	return raw
}

// Addresses that ECMA-130 and MMC-6, table 6, name.
func TestMSF(t *testing.T) {
	for _, tc := range []struct {
		name    string
		lba     int64
		m, s, f byte
	}{
		{"first user sector", 0, 0, 2, 0},
		{"first sector", -150, 0, 0, 0},
		{"one minute", 4350, 1, 0, 0},
		{"last of 74 minutes", 332849, 73, 59, 74},
		{"MMC-6: the largest with M below 90", 404849, 89, 59, 74},
		{"MMC-6: in the lead-in", -45150, 90, 0, 0},
		{"MMC-6: last of the lead-in", -151, 99, 59, 74},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := sector.LBA(tc.m, tc.s, tc.f); got != tc.lba {
				t.Errorf("LBA %d, want %d", got, tc.lba)
			}
			if tc.lba < -150 {
				return
			}
			if m, s, f := sector.MSF(tc.lba); m != tc.m || s != tc.s || f != tc.f {
				t.Errorf("%d:%d:%d", m, s, f)
			}
		})
	}
}

// The code is the remainder of the sector's bits, the lowest of each byte first,
// times x^32, by P(x) = (x^16+x^15+x^2+1)(x^16+x^2+x+1): annex A of ECMA-130, worked
// out here as long division bit by bit.
func TestEDC(t *testing.T) {
	a, b := uint64(1<<16|1<<15|1<<2|1), uint64(1<<16|1<<2|1<<1|1)
	var p uint64
	for i := range 17 {
		if b>>i&1 != 0 {
			p ^= a << i
		}
	}
	raw := made(t, 4000)
	var rem uint64
	shift := func(bit byte) {
		rem = rem<<1 | uint64(bit)
		if rem>>32 != 0 {
			rem ^= p
		}
	}
	for _, x := range raw[:2064] {
		for i := range 8 {
			shift(x >> i & 1)
		}
	}
	for range 32 {
		shift(0)
	}
	var got uint32 // its highest power is the lowest bit
	for i := range 32 {
		got |= uint32(rem>>(31-i)&1) << i
	}
	if want := sector.EDC(raw[:2064]); got != want {
		t.Errorf("division gives %08x, EDC %08x", got, want)
	}
	if sector.EDC(nil) != 0 || sector.EDC(make([]byte, 100)) != 0 {
		t.Error("zeros have another code than 0")
	}
}

// Both code words of annex B that each byte is in must be zero under the parity
// check matrix, here by a multiplication of its own.
func TestParity(t *testing.T) {
	mul := func(a, b byte) byte {
		var p int
		for i := range 8 {
			if b>>i&1 != 0 {
				p ^= int(a) << i
			}
		}
		for i := 14; i >= 8; i-- {
			if p>>i&1 != 0 {
				p ^= 0x11D << (i - 8)
			}
		}
		return byte(p)
	}
	raw := made(t, 1)
	check := func(name string, n int, at func(int) int) {
		for plane := range 2 {
			var sum, weighted byte
			w := byte(1)
			for i := n - 1; i >= 0; i-- {
				v := raw[12+2*at(i)+plane]
				sum ^= v
				weighted ^= mul(w, v)
				w = mul(w, 2)
			}
			if sum != 0 || weighted != 0 {
				t.Errorf("%s, plane %d: syndromes %02x %02x", name, plane, sum, weighted)
			}
		}
	}
	for col := range 43 {
		check("P", 26, func(i int) int { return 43*i + col })
	}
	for diag := range 26 {
		check("Q", 45, func(i int) int {
			if i < 43 {
				return (43*diag + 44*i) % 1118
			}
			return 1118 + 26*(i-43) + diag
		})
	}
}

// Each byte that goes bad is noticed, and where it matters called so.
func TestUserFindsEveryByte(t *testing.T) {
	raw := made(t, 75)
	data, flaw := sector.User(raw)
	if flaw != sector.Sound || len(data) != sector.Data {
		t.Fatal(flaw)
	}
	if lba, ok := sector.Address(raw); !ok || lba != 75 {
		t.Errorf("address %d, %v", lba, ok)
	}
	for i := range raw {
		bad := bytes.Clone(raw)
		bad[i] ^= 1
		want := sector.Parity
		switch {
		case i < 12:
			want = sector.NoData
		case i == 15:
			want = sector.NoData // mode 0
		case i < 2068:
			want = sector.Corrupt
		}
		if _, got := sector.User(bad); got != want {
			t.Fatalf("byte %d: %v, want %v", i, got, want)
		}
	}
}

func TestUserOfMode2(t *testing.T) {
	raw := make([]byte, sector.Raw)
	sector.Encode(raw, 0, make([]byte, sector.Data))
	raw[15] = 2
	// All zeros behind the header: code and parity of form 1 are zeros as well,
	// since the header isn't counted.
	clear(raw[16:])
	if b, flaw := sector.User(raw); flaw != sector.Sound || len(b) != sector.Data {
		t.Errorf("form 1: %v", flaw)
	}
	raw[100] = 1
	if _, flaw := sector.User(raw); flaw != sector.Corrupt {
		t.Errorf("form 1, a byte changed: %v", flaw)
	}
	raw[18] |= 0x20
	if b, flaw := sector.User(raw); flaw != sector.NoData || b != nil {
		t.Errorf("form 2: %v", flaw)
	}
	if _, flaw := sector.User(raw[:100]); flaw != sector.NoData {
		t.Errorf("cut off: %v", flaw)
	}
}

func BenchmarkUser(b *testing.B) {
	raw := make([]byte, sector.Raw)
	sector.Encode(raw, 0, make([]byte, sector.Data))
	b.SetBytes(sector.Raw)
	for b.Loop() {
		sector.User(raw)
	}
}

func BenchmarkEDCAlone(b *testing.B) {
	raw := make([]byte, sector.Raw)
	b.SetBytes(sector.Raw)
	for b.Loop() {
		sector.EDC(raw[:2064])
	}
}
