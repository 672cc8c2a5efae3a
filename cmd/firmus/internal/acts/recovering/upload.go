package recovering

import (
	"fmt"
	"strings"

	"firmus/cmd/firmus/internal/report"
)

// UploadList is the name of the list beside what is to be uploaded.
const UploadList = "what-to-upload.txt"

// Uploads is the list of what is to be uploaded where, for a person; "" if nothing is.
func (r Result) Uploads() string {
	var b strings.Builder
	for _, x := range r.Items {
		if x.State != ToUpload {
			continue
		}
		fmt.Fprintf(&b, "%s/%s/%s\n  to %s\n  %s\n", x.Store, x.Set, report.Show(x.Path), report.Show(x.To.Path), x.HowToUpload())
	}
	if b.Len() > 0 {
		b.WriteString("\nWhen all of it is uploaded, read that store again: firmus audit, with its name\n")
	}
	return b.String()
}

// HowToUpload says what a person does with a file that is laid ready.
func (x Item) HowToUpload() string {
	if x.To.Size >= 0 {
		return "as a new version of the file there: choose \"replace\", never \"keep both\""
	}
	return "add it to that folder"
}
