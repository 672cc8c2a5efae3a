package statements

import (
	"fmt"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Unfinished is a recording under care that was not whole when it was first looked at:
// nothing has ended that, or a person settled it with a reason.
type Unfinished struct {
	Finding    int64           `json:"finding"`
	Set        string          `json:"set"`
	Path       string          `json:"path"`
	PathBase64 string          `json:"path_base64,omitempty"`
	Lacking    string          `json:"lacking"` // what is wrong with it
	Told       *report.Instant `json:"told"`
	State      string          `json:"state"` // open, settled
	SettledBy  string          `json:"settled_by,omitempty"`
	SettledAt  *report.Instant `json:"settled_at,omitempty"`
	Reason     string          `json:"reason,omitempty"`
}

// unfinishedOf makes the line of a statement about a finding of this kind.
func unfinishedOf(f ledger.Finding) Unfinished {
	u := Unfinished{Finding: f.ID, Set: f.Set, Lacking: report.Told(f, nil), Told: report.InstantOf(f.Opened), State: "open"}
	u.Path, u.PathBase64 = report.Path(f.Path)
	if !f.Open() {
		u.State, u.SettledBy, u.SettledAt, u.Reason = "settled", f.SettledBy, report.InstantOf(f.SettledAt), f.Reason
	}
	return u
}

// ended says whether a person has settled it, and quotes them.
func (u Unfinished) ended() string {
	if u.State == "open" {
		return fmt.Sprintf("open (finding %d): keep the reel and the stick", u.Finding)
	}
	return fmt.Sprintf("settled (finding %d) %s by %s: %s", u.Finding, at(u.SettledAt), u.SettledBy, u.Reason)
}

// unfinishedShown is how many of them a statement of holdings names.
const unfinishedShown = 20

// unfinishedBlock lists recordings that are not whole.
func unfinishedBlock(all []Unfinished) sheet.Block {
	if len(all) == 0 {
		return sheet.Block{}
	}
	b := sheet.Block{Title: fmt.Sprintf("Not whole when first looked at: %s. Every copy is a copy of that, even an intact one", fixity.Count(len(all), "recording"))}
	for _, u := range all[:min(len(all), unfinishedShown)] {
		b.List = append(b.List, fmt.Sprintf("%s/%s: %s; %s", u.Set, report.Show(u.Path), u.Lacking, u.ended()))
	}
	if more := len(all) - unfinishedShown; more > 0 {
		b.List = append(b.List, fmt.Sprintf("and %s more: this statement as JSON names them", fixity.Number(int64(more))))
	}
	return b
}
