package report

import (
	"fmt"
	"net/url"
	"strings"
)

// Act is what an Order asks for.
type Act string

const (
	ReadStore    Act = "read store"
	Recover      Act = "recover"
	SignOff      Act = "sign off"
	Settle       Act = "settle"
	LayOut       Act = "lay out" // what a person is to upload
	Recognise    Act = "recognise"
	ShowFinding  Act = "show finding"
	ShowFindings Act = "show findings"
	ShowHoldings Act = "show holdings"
	ShowItem     Act = "show item"
	TryAll       Act = "try all"
	CheckDisc    Act = "check disc"
	ShowDiscs    Act = "show discs"
	BurnSheet    Act = "burn sheet"
	DecideDisc   Act = "decide disc"
	RetireDisc   Act = "retire disc"
	RegisterDisc Act = "register disc"
	ListDisc     Act = "list disc" // all that is to be burned on it, file by file
	AdoptStore   Act = "adopt store"
	ReplaceStore Act = "replace store"
	ReadRegister Act = "read register"
	Choose       Act = "choose" // what a sign-off means, beside one that is told already
	Confirm      Act = "confirm"
	DryRun       Act = "dry run" // where orders are typed, that one can be tried without doing it
)

// Order is an act that a text asks a person for, or a place to look at. Each surface says
// it in its own way: the terminal as a command, a page as a link to its form or in the
// words of its button, a letter as both.
type Order struct {
	Act        Act
	Findings   []int64
	Proposal   int64
	Incident   int64
	Files      int      // how many are to be typed; 0: that isn't asked
	Stores     []string // that are read, adopted or replaced
	Set, Under string   // only that is read
	Full       bool     // every byte is read
	Disc       string
	Kind       string // of a disc that is registered
	From       string // what a person is to name: a store, or a folder
	Device     bool   // in another drive than the usual one
	Paused     bool   // a program that keeps folders in step must be paused first
	Means      string // the option by which a change is signed off; "" if it needs none
	Because    string // a reason that suits; "" if a person must say it
	// Run says that the order ends a sentence that needs its verb: "Then …".
	Run bool
}

// show is where all that is known of a finding stands.
func show(finding int64) Order { return Order{Act: ShowFinding, Findings: []int64{finding}} }

// Say puts an order into the words of a surface; nil says it as the terminal does.
type Say func(Order) string

// In is the order as a surface says it.
func (o Order) In(say Say) string {
	if say == nil {
		return o.String()
	}
	return say(o)
}

// String is the order as the terminal has it.
func (o Order) String() string {
	if o.Run {
		return "run: " + o.Command()
	}
	return o.Command()
}

// Command is what is typed for an order.
func (o Order) Command() string {
	var s strings.Builder
	add := func(format string, args ...any) { fmt.Fprintf(&s, " "+format, args...) }
	subject := func() {
		if o.Incident != 0 {
			add("--incident %d", o.Incident)
		}
		for _, id := range o.Findings {
			add("%d", id)
		}
	}
	reason := func() {
		if o.Because != "" {
			add("--reason %q", o.Because)
		} else {
			add("--reason \"…\"")
		}
	}
	disc := func() { // what people write on discs may hold signs that a shell takes for its own
		switch {
		case strings.ContainsAny(o.Disc, "'\"\\$`!*?&|;<>()"):
			add("%q", o.Disc)
		case o.Disc != "":
			add("%s", o.Disc)
		}
	}
	s.WriteString("firmus")
	switch o.Act {
	case ReadStore:
		add("audit")
		for _, store := range o.Stores {
			add("%s", store)
		}
		if o.Full {
			add("--full")
		}
		if o.Set != "" {
			add("--set %s", o.Set)
		}
		if o.Under != "" {
			add("--under %q", o.Under)
		}
	case Recover:
		add("recover")
		subject()
		switch {
		case o.Disc != "":
			add("--from %q", o.Disc)
		case o.From != "":
			add("--from %s", o.From)
		}
		if o.Paused {
			add("--paused")
		}
	case LayOut:
		add("recover")
		subject()
		add("--to-upload DIR")
	case Recognise:
		add("recognise %s", o.From)
	case SignOff:
		add("findings signoff")
		subject()
		if o.Files > 0 {
			add("--files %d", o.Files)
		}
		if o.Means != "" {
			add("--%s", o.Means)
		}
		reason()
	case Settle:
		add("findings settle")
		subject()
		reason()
	case ShowFinding:
		add("findings show %d", o.Findings[0])
	case ShowFindings:
		add("findings")
	case ShowHoldings:
		add("report holdings")
	case ShowItem:
		add("report item")
	case TryAll:
		add("check")
	case CheckDisc:
		add("disc check")
		disc()
		if o.Device {
			add("--drive DEVICE")
		}
	case ShowDiscs:
		add("disc list")
	case BurnSheet:
		add("disc sheet")
		disc()
	case ListDisc:
		add("disc sheet")
		disc()
		add("--list FILE")
	case DecideDisc:
		add("disc decide")
		disc()
		reason()
	case RetireDisc:
		add("disc retire")
		disc()
		reason()
	case RegisterDisc:
		add("disc add NUMBER --kind %s FILES", o.Kind)
	case Choose:
		return "--" + o.Means
	case DryRun:
		return "With --dry-run it only says what it would do."
	case AdoptStore:
		add("store adopt %s", o.Stores[0])
	case ReplaceStore:
		add("store replace %s", o.Stores[0])
		reason()
	case ReadRegister:
		add("register read")
	case Confirm:
		add("proposal confirm %d --by \"NAME\"", o.Proposal)
	}
	return s.String()
}

// Form is where a page has what an order asks for.
type Form struct {
	Path string // of the page, with the place on it
	Do   string // what is done there: "choose “Put it right”"; "" if there is only something to see
	On   string // the page in words: "the page of finding 7"
}

// Here says that the form is on the page of a path.
func (f Form) Here(path string) bool {
	own, _, _ := strings.Cut(f.Path, "#")
	return own == path
}

// Meant are the choices of a sign-off's form, by the option that stands for each.
var Meant = map[string]string{
	"new-transfer":   "It is a better transfer, made on purpose",
	"description":    "The description was changed; the sound is the same",
	"lost-otherwise": "Nothing better can be had any more",
	"master":         "The change is meant",
	"edited":         "I know who edited it, and I listened to it",
	"keep-current":   "The present version, or that of the store where files arrive, is the right one",
}

// Form is where pages have the order; ok is false if no page has a form for it.
func (o Order) Form() (f Form, ok bool) {
	if o.Incident != 0 {
		f.Path, f.On = fmt.Sprintf("/incidents/%d", o.Incident), fmt.Sprintf("the page of incident %d", o.Incident)
	} else if len(o.Findings) > 0 {
		f.Path, f.On = fmt.Sprintf("/findings/%d", o.Findings[0]), fmt.Sprintf("the page of finding %d", o.Findings[0])
		if n := len(o.Findings); n > 1 && o.Act == SignOff {
			f.On = "the pages of findings "
			for i, id := range o.Findings {
				if i > 0 && i == n-1 {
					f.On += " and "
				} else if i > 0 {
					f.On += ", "
				}
				f.On += fmt.Sprint(id)
			}
		}
	}
	work := func(at string, values url.Values) {
		f.Path, f.On = "/work", "the page Work"
		if len(values) > 0 {
			f.Path += "?" + values.Encode()
		}
		f.Path += at
	}
	switch o.Act {
	case ReadStore:
		v := url.Values{}
		what := "read the stores"
		if len(o.Stores) > 0 {
			v.Set("store", o.Stores[0])
			what = "read " + strings.Join(o.Stores, " and ")
		}
		if o.Full {
			v.Set("full", "yes")
			what += " in full"
		}
		if o.Set != "" {
			v.Set("only", o.Set+"/"+o.Under)
			what = "read " + o.Set + "/" + o.Under + " in " + strings.Join(o.Stores, " and ")
		}
		work("#read", v)
		f.Do = what
	case Recover:
		f.Path += "#put"
		f.Do = "choose “Put it right”"
		if o.Incident != 0 {
			f.Do = "choose “Put all right”"
		}
	case SignOff:
		f.Path += "#accept"
		f.Do = "accept it"
		if o.Incident != 0 {
			f.Do = "choose “Sign off all”"
		} else if w := Meant[o.Means]; w != "" {
			f.Do += " as “" + w + "”"
		}
	case LayOut:
		f.Path += "#put"
		f.Do = "choose “Lay it ready”"
	case Recognise:
		work("#recognise", nil)
		f.Do = "have the folder recognised"
	case Settle:
		f.Path += "#leave"
		f.Do = "leave it as it is, with a reason"
	case ShowFinding:
	case ShowFindings:
		f.Path, f.On = "/findings", "the page Findings"
	case ShowHoldings:
		f.Path, f.On = "/print/holdings", "the holdings statement"
	case ShowItem:
		f.Path, f.On = "/reels", "the page Reels"
	case ShowDiscs:
		f.Path, f.On = "/discs", "the page Discs"
	case CheckDisc:
		if o.Device { // only the usual drive has a form
			return Form{}, false
		}
		if o.Disc == "" {
			work("#disc", nil)
			f.Do = "check the disc in the drive"
			break
		}
		work("#disc", url.Values{"disc": {o.Disc}})
		f.Do = "check " + o.Disc + " in the drive"
	case ListDisc:
		f.Path, f.On = "/discs/"+url.PathEscape(o.Disc), "the page of disc "+o.Disc
	case BurnSheet:
		f.Path, f.On = "/print/discs/"+url.PathEscape(o.Disc)+"/burn", "the burn sheet of "+o.Disc
	case DecideDisc:
		work("#disc", url.Values{"decide": {o.Disc}})
		f.Do = "choose “Decide for a class of discs”"
	case Choose:
		f.Do = "“" + Meant[o.Means] + "”"
	case AdoptStore:
		f.Path, f.On = "/stores/"+url.PathEscape(o.Stores[0])+"#adopt", "the page of store "+o.Stores[0]
		f.Do = "choose “Adopt it”"
	case ReplaceStore:
		f.Path, f.On = "/stores/"+url.PathEscape(o.Stores[0])+"#replace", "the page of store "+o.Stores[0]
		f.Do = "choose “Replace it”"
	case ReadRegister:
		f.Path, f.On = "/register", "the page Register"
		f.Do = "choose “Read it now”"
	case Confirm:
		f.Path, f.On = fmt.Sprintf("/proposals/%d", o.Proposal), fmt.Sprintf("the page of proposal %d", o.Proposal)
		f.Do = "look at what it is about, and choose “Confirm”"
	case DryRun: // a page shows what would be done before it is ordered
	default:
		return Form{}, false
	}
	return f, true
}

// Saying is a text with orders in it.
type Saying []Part

// Part is a piece of a text, or an order.
type Part struct {
	Text  string
	Order *Order
}

// text puts a saying together from strings, orders and other sayings.
func text(parts ...any) (s Saying) {
	for _, p := range parts {
		switch p := p.(type) {
		case string:
			if p != "" {
				s = append(s, Part{Text: p})
			}
		case Order:
			s = append(s, Part{Order: &p})
		case Saying:
			s = append(s, p...)
		default:
			panic(fmt.Sprintf("%T is no part of a text", p))
		}
	}
	return s
}

// In is the text as a surface says it.
func (s Saying) In(say Say) string {
	var b strings.Builder
	for _, p := range s {
		if p.Order != nil {
			b.WriteString(p.Order.In(say))
		} else {
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// String is the text as the terminal says it.
func (s Saying) String() string { return s.In(nil) }

// LetterSay says orders as a letter does: where the form is, and what may be typed
// instead. base is the address of the pages; "" if people can't reach any.
func LetterSay(base string) Say {
	return func(o Order) string {
		f, ok := o.Form()
		switch {
		case base == "" || !ok || o.Act == DryRun:
			return o.String()
		case f.Path == "":
			return f.Do + " (" + o.Command() + ")"
		case f.Do == "":
			return base + f.Path + " (or " + o.Command() + ")"
		case o.Run:
			return "open " + base + f.Path + " and " + f.Do + ", or run: " + o.Command()
		}
		return "open " + base + f.Path + " and " + f.Do + ", or type: " + o.Command()
	}
}
