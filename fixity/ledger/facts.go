package ledger

import (
	"encoding/json"

	"firmus/fixity"
)

// factsText is how a row of an audit keeps facts, "" for none.
func factsText(fs []fixity.Fact) string {
	if len(fs) == 0 {
		return ""
	}
	b, _ := json.Marshal(fs) // facts hold nothing that fails
	return string(b)
}

// factsIn reads back what factsText gives. An audit that an earlier version of Firmus
// began has a sentence there.
func factsIn(text string) []fixity.Fact {
	var fs []fixity.Fact
	if text != "" && json.Unmarshal([]byte(text), &fs) != nil {
		return fixity.Told(text)
	}
	return fs
}
