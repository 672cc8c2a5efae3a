package digest_test

import (
	"context"
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/digest"
)

func Example() {
	s, err := digest.Read(context.Background(), strings.NewReader("abc"), fixity.SHA256, fixity.MD5)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(s.Size, "bytes,", len(s.Blocks), "block")
	for _, d := range s.Digests {
		fmt.Println(d)
	}
	// Output:
	// 3 bytes, 1 block
	// sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
	// md5:900150983cd24fb0d6963f7d28e17f72
}
