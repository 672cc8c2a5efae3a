package digest_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"os"
	"os/exec"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// Published examples. All values are typed in from the documents named.
var vectors = []struct {
	name string
	alg  fixity.Algorithm
	in   string
	want string
}{
	// RFC 1321, A.5.
	{"RFC 1321 empty", fixity.MD5, "", "d41d8cd98f00b204e9800998ecf8427e"},
	{"RFC 1321 a", fixity.MD5, "a", "0cc175b9c0f1b6a831c399e269772661"},
	{"RFC 1321 abc", fixity.MD5, "abc", "900150983cd24fb0d6963f7d28e17f72"},
	{"RFC 1321 message digest", fixity.MD5, "message digest", "f96b697d7cb7938d525a2f31aaf161d0"},
	{"RFC 1321 alphabet", fixity.MD5, "abcdefghijklmnopqrstuvwxyz", "c3fcd3d76192e4007dfb496cca67e13b"},
	{"RFC 1321 alphanumeric", fixity.MD5, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789", "d174ab98d277d9f5a5611c2c9f419d9f"},
	{"RFC 1321 digits", fixity.MD5, strings.Repeat("1234567890", 8), "57edf4a22be3c955ac49da2e2107b67a"},
	// FIPS 180-4's examples (one block, two blocks) and the million times "a" of FIPS 180-2, appendices A.3 to C.3.
	{"FIPS 180-4 abc", fixity.SHA1, "abc", "a9993e364706816aba3e25717850c26c9cd0d89d"},
	{"FIPS 180-4 two blocks", fixity.SHA1, two, "84983e441c3bd26ebaae4aa1f95129e5e54670f1"},
	{"FIPS 180-4 million a", fixity.SHA1, million, "34aa973cd4c4daa4f61eeb2bdbad27316534016f"},
	{"FIPS 180-4 abc", fixity.SHA224, "abc", "23097d223405d8228642a477bda255b32aadbce4bda0b3f7e36c9da7"},
	{"FIPS 180-4 two blocks", fixity.SHA224, two, "75388b16512776cc5dba5da1fd890150b0c6455cb4f58b1952522525"},
	{"FIPS 180-4 million a", fixity.SHA224, million, "20794655980c91d8bbb4c1ea97618a4bf03f42581948b2ee4ee7ad67"},
	{"FIPS 180-4 abc", fixity.SHA256, "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
	{"FIPS 180-4 two blocks", fixity.SHA256, two, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
	{"FIPS 180-4 million a", fixity.SHA256, million, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
	{"FIPS 180-4 abc", fixity.SHA384, "abc", "cb00753f45a35e8bb5a03d699ac65007272c32ab0eded1631a8b605a43ff5bed8086072ba1e7cc2358baeca134c825a7"},
	{"FIPS 180-4 two blocks", fixity.SHA384, two1024, "09330c33f71147e83d192fc782cd1b4753111b173b3b05d22fa08086e3b0f712fcc7c71a557e2db966c3e9fa91746039"},
	{"FIPS 180-4 million a", fixity.SHA384, million, "9d0e1809716474cb086e834e310a4a1ced149e9c00f248527972cec5704c2a5b07b8b3dc38ecc4ebae97ddd87f3d8985"},
	{"FIPS 180-4 abc", fixity.SHA512, "abc", "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"},
	{"FIPS 180-4 two blocks", fixity.SHA512, two1024, "8e959b75dae313da8cf4f72814fc143f8f7779c6eb9f7fa17299aeadb6889018501d289e4900f7e4331b99dec4b5433ac7d329eeb6dd26545e96e55b874be909"},
	{"FIPS 180-4 million a", fixity.SHA512, million, "e718483d0ce769644e2e42c7bc15b4638e1f98b13b2044285632a803afa973ebde0ff244877ea60a4cb0432ce577c31beb009c5c2c49aa2e4eadb217ad8cc09b"},
	// BLAKE3's published test vectors (test_vectors.json of the reference
	// implementation): byte i of the input is i modulo 251, first 32 bytes of "hash".
	// These come from memory; the b3sum test checks them against another implementation.
	{"BLAKE3 0 bytes", fixity.BLAKE3, counting(0), "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"},
	{"BLAKE3 1 byte", fixity.BLAKE3, counting(1), "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"},
	{"BLAKE3 2 bytes", fixity.BLAKE3, counting(2), "7b7015bb92cf0b318037702a6cdd81dee41224f734684c2c122cd6359cb1ee63"},
	{"BLAKE3 1023 bytes", fixity.BLAKE3, counting(1023), "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11"},
	{"BLAKE3 1024 bytes", fixity.BLAKE3, counting(1024), "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"},
	{"BLAKE3 1025 bytes", fixity.BLAKE3, counting(1025), "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"},
	{"BLAKE3 2048 bytes", fixity.BLAKE3, counting(2048), "e776b6028c7cd22a4d0ba182a8bf62205d2ef576467e838ed6f2529b85fba24a"},
	{"BLAKE3 2049 bytes", fixity.BLAKE3, counting(2049), "5f4d72f40d7a5f82b15ca2b2e44b1de3c2ef86c426c95c1af0b6879522563030"},
	{"BLAKE3 31744 bytes", fixity.BLAKE3, counting(31744), "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47"},
	{"BLAKE3 102400 bytes", fixity.BLAKE3, counting(102400), "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"},
}

const (
	two     = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
	two1024 = "abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu"
)

var million = strings.Repeat("a", 1_000_000)

// counting is n bytes, byte i being i modulo 251.
func counting(n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i % 251)
	}
	return string(b)
}

func TestPublishedVectors(t *testing.T) {
	for _, v := range vectors {
		t.Run(string(v.alg)+" "+v.name, func(t *testing.T) {
			got, err := digest.Read(context.Background(), strings.NewReader(v.in), v.alg)
			if err != nil {
				t.Fatal(err)
			}
			d, ok := got.Get(v.alg)
			if !ok || d.Sum != v.want {
				t.Errorf("%s = %v, want %s", v.alg, d, v.want)
			}
			if got.Size != int64(len(v.in)) {
				t.Errorf("size %d, want %d", got.Size, len(v.in))
			}
			s, err := digest.NewSum(v.alg)
			if err != nil {
				t.Fatal(err)
			}
			s.Write([]byte(v.in))
			if d, _ := s.Sums().Get(v.alg); d.Sum != v.want {
				t.Errorf("by Sum: %s = %v, want %s", v.alg, d, v.want)
			}
		})
	}
}

// TestBlake3Elsewhere compares with Debian's b3sum, an independent implementation.
func TestBlake3Elsewhere(t *testing.T) {
	b3sum, err := exec.LookPath("b3sum")
	if err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("b3sum is not installed")
	}
	n := 0
	for _, v := range vectors {
		if v.alg != fixity.BLAKE3 {
			continue
		}
		cmd := exec.Command(b3sum, "--no-names")
		cmd.Stdin = strings.NewReader(v.in)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.TrimSpace(string(out)); got != v.want {
			t.Errorf("%s: b3sum gives %s, the table says %s", v.name, got, v.want)
		}
		n++
	}
	if n == 0 {
		t.Error("no BLAKE3 vector was compared")
	}
}

// TestBlockSums holds the block sum against RFC 3720, appendix B.4, where the
// CRC is printed in the order of the wire: least significant byte first.
func TestBlockSums(t *testing.T) {
	up, down := make([]byte, 32), make([]byte, 32)
	for i := range up {
		up[i], down[i] = byte(i), byte(31-i)
	}
	read10, err := hex.DecodeString("01c00000000000000000000000000000" + "14000000000004000000001400000018" + "28000000000000000200000000000000")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		in   []byte
		want uint32
	}{
		{"32 bytes of zeros", make([]byte, 32), 0x8a9136aa},
		{"32 bytes of ones", bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43},
		{"32 bytes counting up", up, 0x46dd794e},
		{"32 bytes counting down", down, 0x113fdb5c},
		{"an iSCSI SCSI Read (10) Command PDU", read10, 0xd9963a56},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := digest.Read(context.Background(), bytes.NewReader(c.in))
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Blocks) != 1 || s.Blocks[0] != c.want {
				t.Errorf("block sums %x, want %x", s.Blocks, c.want)
			}
		})
	}
	if got := digest.ZeroBlock(32); got != 0x8a9136aa {
		t.Errorf("ZeroBlock(32) = %x", got)
	}
}
