package report

import (
	"fmt"
	"io"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// transferAgain is what to do about a recording that was not whole when it was first
// looked at.
func (m Matter) transferAgain(f ledger.Finding) []Step {
	return []Step{
		say("Keep the reel, and keep the recorder's stick or card. Erase nothing: every copy is a copy of this."),
		say("Look for the whole recording on the stick. If it is not there, transfer the reel again while it can be played."),
		{Text: "Once you have it, move the file that is not whole aside, out of the store, and keep it:", Lines: m.outOf(f)},
		{Text: "Copy the whole recording to its place:", Lines: []Line{{to, m.place(f)}}, Then: fmt.Sprintf("Then run: firmus audit %s, and sign off the change that it finds.", f.Store)},
		say(fmt.Sprintf("If nothing better can be had, or it is meant to be so: firmus findings settle %d --reason \"…\" (statements quote the reason)", f.ID)),
	}
}

// Unfinished is a recording under care that was not whole when it was first looked at:
// nothing has ended that, or a person settled it with a reason.
type Unfinished struct {
	Finding    int64    `json:"finding"`
	Set        string   `json:"set"`
	Path       string   `json:"path"`
	PathBase64 string   `json:"path_base64,omitempty"`
	Lacking    string   `json:"lacking"` // what is wrong with it
	Told       *Instant `json:"told"`
	State      string   `json:"state"` // open, settled
	SettledBy  string   `json:"settled_by,omitempty"`
	SettledAt  *Instant `json:"settled_at,omitempty"`
	Reason     string   `json:"reason,omitempty"`
}

// unfinishedOf makes the line of a statement about a finding of this kind.
func unfinishedOf(f ledger.Finding) Unfinished {
	u := Unfinished{Finding: f.ID, Set: f.Set, Lacking: f.Detail, Told: InstantOf(f.Opened), State: "open"}
	u.Path, u.PathBase64 = Path(f.Path)
	if !f.Open() {
		u.State, u.SettledBy, u.SettledAt, u.Reason = "settled", f.SettledBy, InstantOf(f.SettledAt), f.Reason
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

// writeUnfinished lists recordings that are not whole in a statement of holdings.
func writeUnfinished(w io.Writer, all []Unfinished) {
	if len(all) == 0 {
		return
	}
	fmt.Fprintf(w, "\nNot whole when first looked at: %s. Every copy is a copy of that, also where it is intact\n", Count(int64(len(all)), "recording"))
	for _, u := range all[:min(len(all), unfinishedShown)] {
		fmt.Fprintf(w, "  %s/%s: %s\n    %s\n", u.Set, Show(u.Path), u.Lacking, u.ended())
	}
	if more := len(all) - unfinishedShown; more > 0 {
		fmt.Fprintf(w, "  and %s more: firmus report holdings --as json\n", Number(int64(more)))
	}
}

// isUnfinished says that a finding tells of a recording that is not whole.
func isUnfinished(f ledger.Finding) bool { return f.Kind == fixity.Unfinished }
