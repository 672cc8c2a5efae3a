package manifest_test

import (
	"fmt"
	"os"
	"strings"

	"firmus/fixity"
	"firmus/manifest"
)

// The example lines of RFC 8493, section 4.
func ExampleRead() {
	text := "49afbd86a1ca9f34b677a3f09655eae9 data/27613-h/images/q172.png\n" +
		"408ad21d50cef31da4df6d9ed81b01a7 data/27613-h/images/q172.txt\n"
	for l, err := range manifest.Read(strings.NewReader(text), manifest.ReadOptions{Algorithm: fixity.MD5, Rule: manifest.BagRule}) {
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(l.Number, l.Digest, l.Path)
	}
	// Output:
	// 1 md5:49afbd86a1ca9f34b677a3f09655eae9 data/27613-h/images/q172.png
	// 2 md5:408ad21d50cef31da4df6d9ed81b01a7 data/27613-h/images/q172.txt
}

func ExampleWriter() {
	w := manifest.NewWriter(os.Stdout, fixity.MD5)
	d := fixity.Digest{Algorithm: fixity.MD5, Sum: "d41d8cd98f00b204e9800998ecf8427e"}
	for _, path := range []string{"50%.wav", "QV-0107_A.wav"} {
		if err := w.Add(path, d); err != nil {
			fmt.Println(err)
		}
	}
	warnings, err := w.Finish()
	fmt.Println(len(warnings), err)
	// Output:
	// d41d8cd98f00b204e9800998ecf8427e  50%25.wav
	// d41d8cd98f00b204e9800998ecf8427e  QV-0107_A.wav
	// 1 <nil>
}
