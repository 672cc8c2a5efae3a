package bag_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
)

// Each case changes a valid bag in one way. Section numbers are RFC 8493's.
func TestVerify(t *testing.T) {
	const utf16 = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n"
	set := func(path, text string) func(folder) { return func(f folder) { f[path] = text } }
	add := func(path, text string) func(folder) { return func(f folder) { f[path] += text } }
	drop := func(path string) func(folder) { return func(f folder) { delete(f, path) } }
	cases := []struct {
		name     string
		from     func() folder
		change   func(folder)
		problems []string
		warnings []string
		complete bool
	}{
		{name: "valid, the least", from: plain, complete: true},
		{name: "valid, with tag manifests", from: full, complete: true},
		{name: "valid, all algorithms", from: plain, change: func(f folder) {
			for _, a := range []fixity.Algorithm{"md5", "sha1", "sha224", "sha384", "sha512", "blake3"} {
				f["manifest-"+string(a)+".txt"] = lines(a, f.under("data/"))
			}
		}, warnings: []string{"not-in-rfc"}, complete: true},
		{name: "3 altered payload", from: full, change: add("data/a.wav", "x"), problems: []string{"altered data/a.wav"}, complete: true},
		{name: "3 missing payload", from: full, change: drop("data/a.wav"), problems: []string{"missing data/a.wav"}},
		{name: "3 unexpected payload", from: full, change: set("data/c.wav", "x"), problems: []string{"unexpected data/c.wav"}},
		{name: "3 altered tag file", from: full, change: add("metadata/note.xml", "x"), problems: []string{"altered metadata/note.xml"}, complete: true},
		{name: "3 missing tag file", from: full, change: drop("metadata/note.xml"), problems: []string{"missing metadata/note.xml"}},
		{name: "2.2.4 a tag file that isn't listed", from: full, change: set("metadata/more.xml", "x"), warnings: []string{"not-covered"}, complete: true},
		{name: "2.1.1 no bagit.txt", from: plain, change: drop("bagit.txt"), problems: []string{"missing bagit.txt"}},
		{name: "2.1.1 no bagit.txt, and it is listed", from: full, change: drop("bagit.txt"), problems: []string{"missing bagit.txt"}},
		{name: "2.1.1 byte order mark", from: plain, change: set("bagit.txt", "\ufeff"+v1), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 not UTF-8", from: plain, change: set("bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\xff\n"), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 one line", from: plain, change: set("bagit.txt", "BagIt-Version: 1.0\n"), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 empty", from: plain, change: set("bagit.txt", ""), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 three lines", from: plain, change: add("bagit.txt", "Comment: x\n"), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 an empty third line", from: plain, change: add("bagit.txt", "\n"), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 the other order", from: plain, change: set("bagit.txt", "Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n"), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 another label", from: plain, change: set("bagit.txt", strings.Replace(v1, "BagIt", "Bagit", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "4 the RFC's own spelling", from: plain, change: set("bagit.txt", strings.Replace(v1, "Version", "version", 1)), warnings: []string{"spelling"}, complete: true},
		{name: "7.1 no blank behind the colon", from: plain, change: set("bagit.txt", strings.Replace(v1, ": ", ":", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "7.1 two blanks behind the colon", from: plain, change: set("bagit.txt", strings.Replace(v1, ": ", ":  ", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "7.1 a blank before the colon", from: plain, change: set("bagit.txt", strings.Replace(v1, "g:", "g :", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 a version without a dot", from: plain, change: set("bagit.txt", strings.Replace(v1, "1.0", "1", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "2.1.1 a version that is not known", from: plain, change: set("bagit.txt", strings.Replace(v1, "1.0", "1.1", 1)), problems: []string{"version bagit.txt"}},
		{name: "2.1.1 an older version that is not known", from: plain, change: set("bagit.txt", strings.Replace(v1, "1.0", "0.92", 1)), problems: []string{"version bagit.txt"}},
		{name: "2.1.1 CRLF", from: plain, change: set("bagit.txt", strings.ReplaceAll(v1, "\n", "\r\n")), complete: true},
		{name: "2.1.1 CR", from: plain, change: set("bagit.txt", strings.ReplaceAll(v1, "\n", "\r")), complete: true},
		{name: "2.1.1 no last line end", from: plain, change: set("bagit.txt", strings.TrimSuffix(v1, "\n")), complete: true},
		{name: "2.1.1 an encoding that is not known", from: plain, change: set("bagit.txt", strings.Replace(v1, "UTF-8", "UTF-9", 1)), problems: []string{"encoding bagit.txt"}},
		{name: "2.1.2 no payload folder", from: full, change: func(f folder) { delete(f, "data/a.wav"); delete(f, "data/sub/b.wav") }, problems: []string{"missing data"}},
		{name: "2.1.2 no payload folder, one manifest", from: plain, change: func(f folder) { delete(f, "data/a.wav"); delete(f, "data/sub/b.wav") }, problems: []string{"missing data"}},
		{name: "2.1.2 an empty payload folder", from: func() folder { return folder{"bagit.txt": v1, "data/": "", "manifest-sha512.txt": ""} }, complete: true},
		{name: "2.1.2 a file instead of the payload folder", from: func() folder { return folder{"bagit.txt": v1, "data": "x", "manifest-sha512.txt": ""} }, problems: []string{"missing data"}},
		{name: "2.1.3 no payload manifest", from: plain, change: drop("manifest-sha256.txt"), problems: []string{"no-manifest "}},
		{name: "2.1.3 the only payload manifest is gone, and was listed", from: func() folder {
			f := plain()
			f.tag(fixity.SHA256)
			return f
		}, change: drop("manifest-sha256.txt"), problems: []string{"missing manifest-sha256.txt"}},
		{name: "2.1.3 one of the payload manifests is gone", from: full, change: drop("manifest-sha256.txt"), problems: []string{"missing manifest-sha256.txt"}, warnings: []string{"other-algorithms"}},
		{name: "3 a digit of a payload manifest flips", from: full, change: func(f folder) {
			s := f["manifest-sha512.txt"]
			d := "0"
			if s[0] == '0' {
				d = "1"
			}
			f["manifest-sha512.txt"] = d + s[1:]
		}, problems: []string{"altered manifest-sha512.txt"}, complete: true},
		{name: "3 a line of a payload manifest is lost", from: full, change: func(f folder) {
			_, f["manifest-sha512.txt"], _ = strings.Cut(f["manifest-sha512.txt"], "\n")
		}, problems: []string{"altered manifest-sha512.txt"}, complete: true},
		{name: "3 a payload manifest is cut short", from: full, change: func(f folder) {
			f["manifest-sha512.txt"] = f["manifest-sha512.txt"][:50]
		}, problems: []string{"altered manifest-sha512.txt"}, complete: true},
		{name: "3 bagit.txt is altered", from: full, change: set("bagit.txt", strings.Replace(v1, "1.0", "1.7", 1)), problems: []string{"altered bagit.txt"}, complete: true},
		{name: "3 bag-info.txt is altered", from: full, change: set("bag-info.txt", "Payload-Oxum: 1.1\nno colon\n"), problems: []string{"altered bag-info.txt"}, complete: true},
		{name: "3 a file in one of two manifests, version 1.0", from: plain, change: func(f folder) {
			f["manifest-sha512.txt"] = lines(fixity.SHA512, folder{"data/a.wav": f["data/a.wav"]})
		}, problems: []string{"unlisted data/sub/b.wav"}},
		{name: "2.1.3 listed twice", from: plain, change: func(f folder) {
			f["manifest-sha256.txt"] += lines(fixity.SHA256, folder{"data/a.wav": f["data/a.wav"]})
		},
			problems: []string{"listed-twice data/a.wav"}},
		{name: "2.1.3 a file outside the payload", from: plain, change: func(f folder) { f["manifest-sha256.txt"] += sum(fixity.SHA256, v1) + "  bagit.txt\n" },
			problems: []string{"forbidden bagit.txt"}},
		{name: "2.1.3 a folder is listed", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  data/sub\n"), problems: []string{"directory data/sub"}},
		{name: "2.1.3 a line without a path", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"\n"), problems: []string{"line manifest-sha256.txt"}},
		{name: "2.1.3 a digest of another length", from: plain, change: add("manifest-sha256.txt", sum(fixity.MD5, "")+"  data/x\n"), problems: []string{"line manifest-sha256.txt"}},
		{name: "2.1.3 one blank, tabs, upper case", from: plain, change: func(f folder) {
			f["manifest-sha256.txt"] = strings.ToUpper(sum(fixity.SHA256, f["data/a.wav"])) + " data/a.wav\n" + sum(fixity.SHA256, f["data/sub/b.wav"]) + "\t \t data/sub/b.wav"
		}, complete: true},
		{name: "2.1.3 percent-coding", from: plain, change: func(f folder) {
			f["data/50%\r\n.wav"] = "x"
			f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
		}, complete: true},
		{name: "2.1.3 percent-coding in lower case", from: plain, change: func(f folder) {
			f["data/50\r\n.wav"] = "x"
			f["manifest-sha256.txt"] += sum(fixity.SHA256, "x") + "  data/50%0d%0a.wav\n"
		}, complete: true},
		{name: "2.1.3 a % that isn't coded", from: plain, change: func(f folder) {
			f["data/50%7E.wav"] = "x"
			f["manifest-sha256.txt"] += sum(fixity.SHA256, "x") + "  data/50%7E.wav\n"
		}, warnings: []string{"bare-percent"}, complete: true},
		{name: "2.1.3 blanks and backslashes are plain characters", from: plain, change: func(f folder) {
			f["data/ a  b\\c "] = "x"
			f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
		}, complete: true},
		{name: "6.1.3 a star before the path", from: plain, change: func(f folder) { f["manifest-sha256.txt"] = strings.ReplaceAll(f["manifest-sha256.txt"], "  ", " *") },
			warnings: []string{"star"}, complete: true},
		{name: "dot and slash before the path", from: plain, change: func(f folder) { f["manifest-sha256.txt"] = strings.ReplaceAll(f["manifest-sha256.txt"], "  ", "  ./") },
			warnings: []string{"dot-slash"}, complete: true},
		{name: "2.2.1 a tag manifest names payload", from: full, change: func(f folder) {
			f["tagmanifest-sha256.txt"] += lines(fixity.SHA256, folder{"data/a.wav": f["data/a.wav"]})
		}, problems: []string{"forbidden data/a.wav"}},
		{name: "2.2.1 a tag manifest names a tag manifest", from: full, change: func(f folder) {
			f["tagmanifest-sha256.txt"] += lines(fixity.SHA256, folder{"tagmanifest-sha512.txt": f["tagmanifest-sha512.txt"]})
		}, problems: []string{"forbidden tagmanifest-sha512.txt"}},
		{name: "2.2.1 a tag manifest doesn't name a payload manifest", from: full, change: func(f folder) {
			var kept []string
			for line := range strings.Lines(f["tagmanifest-sha256.txt"]) {
				if !strings.Contains(line, " manifest-sha512.txt") {
					kept = append(kept, line)
				}
			}
			f["tagmanifest-sha256.txt"] = strings.Join(kept, "")
		}, problems: []string{"unlisted manifest-sha512.txt"}, warnings: []string{"lists-differ"}},
		{name: "2.2.1 tag manifests by one of two algorithms", from: full, change: drop("tagmanifest-sha256.txt"), warnings: []string{"other-algorithms"}, complete: true},
		{name: "2.4 an algorithm that is not known", from: plain, change: set("manifest-crc32.txt", "00000000 data/a.wav\n"), problems: []string{"algorithm manifest-crc32.txt"}},
		{name: "2.4 no other than one that is not known", from: plain, change: func(f folder) {
			delete(f, "manifest-sha256.txt")
			f["manifest-crc32.txt"] = ""
		}, problems: []string{"algorithm manifest-crc32.txt"}},
		{name: "2.2.2 no colon", from: plain, change: set("bag-info.txt", "Contact-Name: A\nhello\n"), problems: []string{"info bag-info.txt"}},
		{name: "2.2.2 no blank behind the colon", from: plain, change: set("bag-info.txt", "Contact-Name:A\n"), problems: []string{"info bag-info.txt"}},
		{name: "2.2.2 a blank before the colon", from: plain, change: set("bag-info.txt", "Contact-Name : A\n"), problems: []string{"info bag-info.txt"}},
		{name: "2.2.2 it continues nothing", from: plain, change: set("bag-info.txt", "  A\n"), problems: []string{"info bag-info.txt"}},
		{name: "2.2.2 Payload-Oxum twice", from: plain, change: set("bag-info.txt", "Payload-Oxum: 24.2\npayload-oxum: 24.2\n"), problems: []string{"oxum bag-info.txt"}},
		{name: "2.2.2 Payload-Oxum doesn't fit", from: plain, change: set("bag-info.txt", "Payload-Oxum: 24.3\n"), problems: []string{"oxum bag-info.txt"}},
		{name: "2.2.2 Payload-Oxum of another form", from: plain, change: set("bag-info.txt", "Payload-Oxum: 24\n"), problems: []string{"oxum bag-info.txt"}},
		{name: "2.2.2 Payload-Oxum never stands for checksums", from: plain, change: func(f folder) {
			f["bag-info.txt"] = "Payload-Oxum: 24.2\n"
			f["data/a.wav"] = strings.ToUpper(f["data/a.wav"])
		}, problems: []string{"altered data/a.wav"}, complete: true},
		{name: "2.2.2 what should not be repeated", from: plain, change: set("bag-info.txt", "Bagging-Date: 1971-06-04\nBAGGING-DATE: 1971-06-05\nContact-Name: A\nContact-Name: B\n"),
			warnings: []string{"repeated"}, complete: true},
		{name: "2.2.2 values of another form", from: plain, change: set("bag-info.txt", "Bagging-Date: 4 June 1971\nBag-Count: 1/2\n"), warnings: []string{"value"}, complete: true},
		{name: "2.3 byte order mark in a UTF-8 tag file", from: plain, change: set("bag-info.txt", "\ufeffContact-Name: A\n"), problems: []string{"encoding bag-info.txt"}},
		{name: "2.3 byte order mark in a manifest", from: plain, change: func(f folder) { f["manifest-sha256.txt"] = "\ufeff" + f["manifest-sha256.txt"] }, problems: []string{"encoding manifest-sha256.txt"}},
		{name: "2.3 a manifest that isn't UTF-8", from: plain, change: func(f folder) {
			f["data/\xe9.wav"] = "x"
			f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
		}, problems: []string{"encoding manifest-sha256.txt"}},
		{name: "2.3 bag-info.txt that isn't UTF-8", from: plain, change: set("bag-info.txt", "Contact-Name: \xe9\n"), problems: []string{"encoding bag-info.txt"}},
		{name: "2.1.1 ISO-8859-1", from: plain, change: func(f folder) {
			f["bagit.txt"] = strings.Replace(v1, "UTF-8", "ISO-8859-1", 1)
			f["data/\u00e9.wav"] = "x"
			f["manifest-sha256.txt"] = strings.ReplaceAll(lines(fixity.SHA256, f.under("data/")), "\u00e9", "\xe9")
		}, complete: true},
		{name: "2.1.1 ISO-8859-1, and the name's bytes are so too", from: plain, change: func(f folder) {
			f["bagit.txt"] = strings.Replace(v1, "UTF-8", "ISO-8859-1", 1)
			f["data/\xe9.wav"] = "x"
			f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
		}, warnings: []string{"raw-name"}, complete: true},
		{name: "2.1.1 UTF-16 with its mark", from: plain, change: func(f folder) {
			f["bagit.txt"] = utf16
			f["data/\u00e9.wav"] = "x"
			f["manifest-sha256.txt"] = encode16(lines(fixity.SHA256, f.under("data/")), true)
			f["bag-info.txt"] = encode16("Contact-Name: \u00e9\nPayload-Oxum: 25.3\n", false)
		}, complete: true},
		{name: "2.1.1 Shift_JIS", from: plain, change: func(f folder) {
			f["bagit.txt"] = strings.Replace(v1, "UTF-8", "Shift_JIS", 1)
			f["data/\u6b4c.wav"] = "x"
			f["manifest-sha256.txt"] = strings.ReplaceAll(lines(fixity.SHA256, f.under("data/")), "\u6b4c", "\x89\xcc")
		}, complete: true},
		{name: "2.2.3 a fetch.txt whose file is there", from: plain, change: set("fetch.txt", "https://archive.example/a 14 data/a.wav\n"), complete: true},
		{name: "2.2.3 a file that is still to be fetched", from: plain, change: func(f folder) {
			f["fetch.txt"] = "https://archive.example/a - data/a.wav\n"
			delete(f, "data/a.wav")
		}, problems: []string{"missing data/a.wav"}},
		{name: "2.2.3 another length", from: plain, change: set("fetch.txt", "https://archive.example/a 15 data/a.wav\n"), warnings: []string{"length"}, complete: true},
		{name: "2.2.3 no length", from: plain, change: set("fetch.txt", "https://archive.example/a data/a.wav\n"), problems: []string{"fetch fetch.txt"}},
		{name: "2.2.3 no absolute address", from: plain, change: set("fetch.txt", "archive/a 14 data/a.wav\n"), problems: []string{"fetch fetch.txt"}},
		{name: "2.2.3 a length that is none", from: plain, change: set("fetch.txt", "https://archive.example/a +14 data/a.wav\n"), problems: []string{"fetch fetch.txt"}},
		{name: "2.2.3 a tag file", from: plain, change: set("fetch.txt", "https://archive.example/a 14 bag-info.txt\n"), problems: []string{"forbidden bag-info.txt"}},
		{name: "2.2.3 a file that no manifest names", from: plain, change: set("fetch.txt", "https://archive.example/a 14 data/c.wav\n"), problems: []string{"fetch data/c.wav"}},
		{name: "5.1 fetch.txt leads out", from: plain, change: set("fetch.txt", "https://archive.example/a 14 ../c.wav\n"), problems: []string{"outside ../c.wav"}},
		{name: "6.1.1.3 NFD in the manifest, NFC on the medium", from: plain, change: func(f folder) {
			f["data/N\xc3\xba\xc3\xb1ez"] = "x"
			f["manifest-sha256.txt"] += sum(fixity.SHA256, "x") + "  data/N\x75\xcc\x81\x6e\xcc\x83\x65\x7a\n"
		}, warnings: []string{"normalisation"}, complete: true},
		{name: "6.1.1.3 NFC in the manifest, NFD on the medium", from: full, change: func(f folder) {
			f["data/N\x75\xcc\x81\x6e\xcc\x83\x65\x7a"] = "x"
			for _, a := range []fixity.Algorithm{fixity.SHA256, fixity.SHA512} {
				f["manifest-"+string(a)+".txt"] += sum(a, "x") + "  data/N\xc3\xba\xc3\xb1ez\n"
			}
			f["bag-info.txt"] = ""
			f.tag(fixity.SHA256, fixity.SHA512)
		}, warnings: []string{"normalisation"}, complete: true},
		{name: "6.1.1.3 case", from: plain, change: func(f folder) {
			f["manifest-sha256.txt"] = strings.Replace(f["manifest-sha256.txt"], "a.wav", "A.WAV", 1)
		},
			warnings: []string{"case"}, complete: true},
		{name: "6.1.1.3 twins", from: plain, change: func(f folder) {
			f["data/A.wav"] = "x"
			f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
		}, warnings: []string{"twin"}, complete: true},
		{name: "7.1 a blank before the first colon", from: plain, change: set("bagit.txt", strings.Replace(v1, "n:", "n :", 1)), problems: []string{"declaration bagit.txt"}},
		{name: "7.1 a tab before the first colon, in the RFC's own spelling", from: plain, change: set("bagit.txt", strings.Replace(v1, "Version:", "version\t:", 1)),
			problems: []string{"declaration bagit.txt"}, warnings: []string{"spelling"}},
		{name: "before 1.0: listed twice with one digest is never an error", from: old, change: func(f folder) {
			f["manifest-md5.txt"] += lines(fixity.MD5, folder{"data/a.wav": f["data/a.wav"]})
		}, warnings: []string{"named-twice"}, complete: true},
		{name: "before 1.0: listed twice in two spellings with one digest", from: old, change: func(f folder) {
			f["data/a\nb"] = "x"
			f["manifest-md5.txt"] += sum(fixity.MD5, "x") + "  data/a%0Ab\n" + sum(fixity.MD5, "x") + "  data/a%0ab\n"
		}, warnings: []string{"named-twice", "percent-coding"}, complete: true},
		{name: "before 1.0: listed twice with two digests", from: old, change: func(f folder) {
			f["manifest-md5.txt"] += sum(fixity.MD5, "x") + "  data/a.wav\n"
		}, problems: []string{"listed-twice data/a.wav"}},
		{name: "before 1.0: % is a plain character", from: old, change: func(f folder) {
			f["data/a%25%7E"] = "x"
			f["manifest-md5.txt"] += sum(fixity.MD5, "x") + "  data/a%25%7E\n"
		}, complete: true},
		{name: "before 1.0: CR and LF are coded", from: old, change: func(f folder) {
			f["data/a\nb"] = "x"
			f["manifest-md5.txt"] += sum(fixity.MD5, "x") + "  data/a%0Ab\n"
		}, warnings: []string{"percent-coding"}, complete: true},
		{name: "before 1.0: one of the manifests is enough", from: old, change: func(f folder) {
			f["manifest-sha1.txt"] = lines(fixity.SHA1, folder{"data/a.wav": f["data/a.wav"]})
		}, complete: true},
		{name: "before 1.0: a file in no manifest", from: old, change: set("data/c.wav", "x"), problems: []string{"unexpected data/c.wav"}},
		{name: "before 1.0: blanks around colons", from: old, change: func(f folder) {
			f["bagit.txt"] = "BagIt-Version : 0.97\nTag-File-Character-Encoding:   UTF-8\n"
			f["bag-info.txt"] = "Payload-Oxum  :  24.2\n"
		}, complete: true},
		{name: "before 0.96: package-info.txt", from: old, change: func(f folder) {
			f["bagit.txt"] = strings.Replace(v1, "1.0", "0.95", 1)
			f["package-info.txt"] = "Payload-Oxum: 24.3\n"
		}, problems: []string{"oxum package-info.txt"}},
		{name: "from 0.96 on package-info.txt is a file like others", from: old, change: set("package-info.txt", "Payload-Oxum: 24.3\n"), complete: true},
		{name: "5.1 absolute", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  /etc/hostname\n"), problems: []string{"outside /etc/hostname"}},
		{name: "5.1 two dots", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  data/../../x\n"), problems: []string{"outside data/../../x"}},
		{name: "5.1 two dots that stay inside", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, v1)+"  data/../bagit.txt\n"), problems: []string{"outside data/../bagit.txt"}},
		{name: "5.1 home", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  ~root/x\n"), problems: []string{"outside ~root/x"}},
		{name: "5.1 drive letter", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  C:/x\n"), problems: []string{"outside C:/x"}},
		{name: "5.1 device path", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+`  \\?\C:\x`+"\n"), problems: []string{`outside \\?\C:\x`}},
		{name: "5.1 a tag manifest leads out", from: full, change: add("tagmanifest-sha512.txt", sum(fixity.SHA512, "")+"  ../x\n"), problems: []string{"outside ../x"}, warnings: []string{"lists-differ"}},
		{name: "5.1 coded two dots are a plain name", from: plain, change: add("manifest-sha256.txt", sum(fixity.SHA256, "")+"  data/%2e%2e/x\n"),
			problems: []string{"missing data/%2e%2e/x"}, warnings: []string{"bare-percent"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := c.from()
			if c.change != nil {
				c.change(f)
			}
			res := verify(t, f.write(t))
			if diff := cmp.Diff(append([]string{}, c.problems...), problems(res)); diff != "" {
				t.Errorf("problems (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(append([]string{}, c.warnings...), reasons(res.Warnings)); diff != "" {
				t.Errorf("warnings (-want +got):\n%s\n%v", diff, res.Warnings)
			}
			if res.Complete != c.complete || res.Valid != (len(c.problems) == 0) {
				t.Errorf("complete %v, valid %v", res.Complete, res.Valid)
			}
		})
	}
}

// old is a valid bag of version 0.97.
func old() folder {
	f := plain()
	delete(f, "manifest-sha256.txt")
	f["bagit.txt"] = strings.Replace(v1, "1.0", "0.97", 1)
	f["manifest-md5.txt"] = lines(fixity.MD5, f.under("data/"))
	return f
}

func TestVersions(t *testing.T) {
	for _, version := range []string{"0.93", "0.94", "0.95", "0.96", "0.97", "1.0"} {
		f := old()
		f["bagit.txt"] = strings.Replace(v1, "1.0", version, 1)
		if res := verify(t, f.write(t)); !res.Valid || res.Version != version || res.Encoding != "UTF-8" {
			t.Errorf("version %s: %+v", version, res)
		}
	}
}

// encode16 is s, of the basic plane, in UTF-16 with a byte order mark.
func encode16(s string, little bool) string {
	var b strings.Builder
	for _, r := range "\ufeff" + s {
		hi, lo := byte(r>>8), byte(r)
		if little {
			hi, lo = lo, hi
		}
		b.WriteByte(hi)
		b.WriteByte(lo)
	}
	return b.String()
}
