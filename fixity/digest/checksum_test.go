package digest_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// TestParts: a checksum of parts is the checksum of their checksums, in whatever pieces the bytes
// come; a part that is full begins no other.
func TestParts(t *testing.T) {
	data := []byte("abcdefghij")
	for _, alg := range []fixity.Algorithm{fixity.SHA256, fixity.MD5, fixity.CRC32C, fixity.CRC32, fixity.SHA1} {
		sum := func(b []byte) []byte {
			s, err := digest.NewSum(alg)
			if err != nil {
				t.Fatal(err)
			}
			s.Write(b)
			d, _ := s.Sums().Get(alg)
			return d.Bytes()
		}
		for size, parts := range map[int64][]string{1: strings.Split(string(data), ""), 3: {"abc", "def", "ghi", "j"}, 5: {"abcde", "fghij"}, 10: {"abcdefghij"}, 11: {"abcdefghij"}} {
			var all []byte
			for _, p := range parts {
				all = append(all, sum([]byte(p))...)
			}
			of := alg.Parts(size)
			if a, n := of.OfParts(); a != alg || n != size || of.Size() != alg.Size() {
				t.Errorf("%s is of %s, %d", of, a, n)
			}
			for piece := 1; piece <= len(data); piece++ {
				s, err := digest.NewSum(of)
				if err != nil {
					t.Fatal(err)
				}
				for b := range slices.Chunk(data, piece) {
					s.Write(b)
					s.Sums() // changes nothing
				}
				if got, _ := s.Sums().Get(of); got != fixity.DigestOf(of, sum(all)) || fixity.DigestIn(got.String()) != got {
					t.Errorf("%s in pieces of %d: %s", of, piece, got)
				}
			}
		}
	}
	for _, bad := range []fixity.Algorithm{"sha256/", "sha256/0", "sha256/-1", "sha256/03", "sha256/x", "sha256/1/2", "no/5"} {
		if s, err := digest.NewSum(bad); err == nil {
			t.Errorf("%s: %v", bad, s)
		}
	}
}

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
		// The chunk IEND of every PNG file (ISO/IEC 15948, section 5.6, whose type is all that it has).
		{fixity.CRC32, []byte("IEND"), "ae426082"},
	} {
		s, err := digest.Options{Algorithms: []fixity.Algorithm{c.alg, fixity.BLAKE3}}.Read(t.Context(), bytes.NewReader(c.data))
		got, ok := s.Get(c.alg)
		if err != nil || !ok || got.Sum != c.want {
			t.Errorf("%s: %v, %v, want %s", c.alg, got, err, c.want)
		}
	}
}
