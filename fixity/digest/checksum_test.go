package digest_test

import (
	"bytes"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// TestChecksums holds the checksums that services report against published values: CRC-64
// by NVM Express NVM Command Set Specification 1.0a, section 5.2.1.3.5 ("64b CRC Test
// Cases"), CRC-32C by RFC 3720, appendix B.4 (whose bytes are the checksum's, the least
// first).
func TestChecksums(t *testing.T) {
	up, down := make([]byte, 4096), make([]byte, 4096)
	for i := range up {
		up[i], down[i] = byte(i), byte(255-i)
	}
	var up32, down32 []byte
	for i := range byte(32) {
		up32, down32 = append(up32, i), append(down32, 31-i)
	}
	for _, c := range []struct {
		alg  fixity.Algorithm
		data []byte
		want string
	}{
		{fixity.CRC64NVME, make([]byte, 4096), "6482d367eb22b64e"},
		{fixity.CRC64NVME, bytes.Repeat([]byte{0xff}, 4096), "c0ddba7302eca3ac"},
		{fixity.CRC64NVME, up, "3e729f5f6750449c"},
		{fixity.CRC64NVME, down, "9a2df64b8e9e517e"},
		{fixity.CRC32C, make([]byte, 32), "8a9136aa"},
		{fixity.CRC32C, bytes.Repeat([]byte{0xff}, 32), "62a8ab43"},
		{fixity.CRC32C, up32, "46dd794e"},
		{fixity.CRC32C, down32, "113fdb5c"},
	} {
		s, err := digest.Options{Algorithms: []fixity.Algorithm{c.alg, fixity.BLAKE3}}.Read(t.Context(), bytes.NewReader(c.data))
		got, ok := s.Get(c.alg)
		if err != nil || !ok || got.Sum != c.want {
			t.Errorf("%s: %v, %v, want %s", c.alg, got, err, c.want)
		}
	}
}
