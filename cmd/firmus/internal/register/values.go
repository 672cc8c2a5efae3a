package register

// Meaning is what a person's word stands for in a column of set words.
type Meaning string

// Meanings.
const (
	Yes  Meaning = "yes"
	No   Meaning = "no"   // of Playable: it never was playable
	Once Meaning = "once" // of Playable: it was transferred, and can't be played again
)

// Meanings are those that the words of a column can stand for; other columns hold plain
// text.
var Meanings = map[Field][]Meaning{
	Playable:   {Yes, No, Once},
	Hazard:     {Yes, No},
	Priority:   {Yes, No},
	Restricted: {Yes, No},
}

// until says what a word counts as that nobody gave a meaning.
var until = map[Field]string{
	Playable:   "it isn't known whether the reel can be played",
	Hazard:     "the reel counts as a hazard",
	Priority:   "the reel has no priority",
	Restricted: "the recording counts as restricted",
}

// Values says what words stand for: by field, then by the word as Word writes it.
type Values map[Field]map[string]Meaning

// usual are words that need no telling.
var usual = map[string]Meaning{"yes": Yes, "y": Yes, "x": Yes, "true": Yes, "no": No, "n": No, "false": No}

// Of is what a text stands for in a column. Not ok: nobody said it. A blank cell says
// nothing.
func (v Values) Of(f Field, text string) (m Meaning, ok bool) {
	word := Word(text)
	if word == "" || Meanings[f] == nil {
		return "", false
	}
	if m, ok := v[f][word]; ok {
		return m, true
	}
	m, ok = usual[word]
	return m, ok
}

// IsRestricted says that a row's recording may not be heard by all: also if the cell is
// blank, or nobody said what its word means. A register without the column says nothing.
func (t Table) IsRestricted(r Row) bool {
	if _, has := t.Columns[Restricted]; !has {
		return false
	}
	m, _ := t.Values.Of(Restricted, r.Text(Restricted))
	return m != No
}
