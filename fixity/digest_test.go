package fixity_test

import (
	"strings"
	"testing"

	"firmus/fixity"
)

func TestDigestsAreReadInEitherCase(t *testing.T) {
	for _, a := range []fixity.Algorithm{fixity.MD5, fixity.SHA1, fixity.SHA224, fixity.SHA256, fixity.SHA384, fixity.SHA512, fixity.BLAKE3} {
		low := strings.Repeat("0a", a.Size())
		d, err := fixity.ParseDigest(a, strings.ToUpper(low))
		if err != nil {
			t.Fatalf("%s: %v", a, err)
		}
		if d != fixity.DigestOf(a, d.Bytes()) || d.Sum != low || d.String() != string(a)+":"+low || d.IsZero() {
			t.Errorf("%s: got %v", a, d)
		}
	}
}

func TestDigestsThatAreNone(t *testing.T) {
	for name, c := range map[string]struct {
		a   fixity.Algorithm
		sum string
	}{
		"unknown algorithm": {"crc16", "00000000"},
		"no algorithm":      {"", ""},
		"empty":             {fixity.MD5, ""},
		"too short":         {fixity.MD5, strings.Repeat("0", 30)},
		"too long":          {fixity.MD5, strings.Repeat("0", 34)},
		"odd":               {fixity.MD5, strings.Repeat("0", 31)},
		"not hexadecimal":   {fixity.MD5, strings.Repeat("0", 31) + "g"},
		"blank":             {fixity.MD5, strings.Repeat("0", 31) + " "},
	} {
		d, err := fixity.ParseDigest(c.a, c.sum)
		if err == nil || !d.IsZero() {
			t.Errorf("%s: got %v, %v", name, d, err)
		}
	}
	var none fixity.Digest
	if none.Bytes() != nil || none.String() != "" {
		t.Errorf("the digest of nothing is %q, %v", none, none.Bytes())
	}
}
