package register

import (
	"strconv"
	"strings"
	"time"
)

// Telling is which sentence a problem is told by; package report words it. Stored: never
// change one, and never change the order of its values.
type Telling string

// All tellings, with their values: of what a row is about (of), another row (row), a length,
// a file or a sum of files (files), a number, a day, or a text as it stands.
const (
	NoneFits      Telling = "none-fits"      // an item under care
	Absent        Telling = "absent"         // of, the column, its text
	AbsentFile    Telling = "absent-file"    // the file, of
	AbsentTrack   Telling = "absent-track"   // of
	Foreign       Telling = "foreign-file"   // the row's number, the file, its item
	NoRow         Telling = "no-row"         // number of files, of
	Double        Telling = "double"         // of, row
	SameBarcode   Telling = "same-barcode"   // barcode, the other item, row
	Elsewhere     Telling = "elsewhere"      // of, the folder, where files are
	NoDay         Telling = "no-day"         // the text
	LateDay       Telling = "late-day"       // of, the text, day of the intake
	NoMeaning     Telling = "no-meaning"     // the text
	BarcodeOf     Telling = "barcode-of"     // number, barcode, its item
	NoBase        Telling = "no-base"        // number, of how many reels
	ManyBases     Telling = "many-bases"     // number, of how many reels
	NoNumber      Telling = "no-number"      //
	LessThanNone  Telling = "less-than-none" // the text
	DateStored    Telling = "date-stored"    // the text
	ErrorStored   Telling = "error-stored"   // the text
	NotALength    Telling = "not-a-length"   // the text
	TracksLonger  Telling = "tracks-longer"  // of, length, the side's own text
	RowsApart     Telling = "rows-apart"     // of, length of the rows, length of the files
	MergedApart   Telling = "merged-apart"   // the text, length of the files, of each
	SixtyTimes    Telling = "sixty-times"    // the text, files, length
	TwiceAsLong   Telling = "twice-as-long"  // the text, files, length
	HalfAsLong    Telling = "half-as-long"   // the text, files, length
	LengthApart   Telling = "length-apart"   // the text, files, length, the readings if there are several
	DigitsHidden  Telling = "digits-hidden"  // the text
	DigitsCut     Telling = "digits-cut"     // the text, number of zeros
	DigitsFewer   Telling = "digits-fewer"   // the text, its digits, those of most
	ZerosDropped  Telling = "zeros-dropped"  // the text, its digits, those of most, with the zeros
	WrongCheck    Telling = "wrong-check"    // the text
	ZerosLacking  Telling = "zeros-lacking"  // the text, the file, its barcode
	OtherBarcode  Telling = "other-barcode"  // the text, that of the file, the file
	UnknownDisc   Telling = "unknown-disc"   // the disc
	OthersDisc    Telling = "others-disc"    // of, the disc, items that it holds
	UnnamedDisc   Telling = "unnamed-disc"   // the disc, of
	FewDiscs      Telling = "few-discs"      // number of discs, of, how many there should be
	ErrorShown    Telling = "error-shown"    // the text
	ValueUnsaved  Telling = "value-unsaved"  //
	LetterLost    Telling = "letter-lost"    // the text
	LoneQuote     Telling = "lone-quote"     //
	FieldsTooMany Telling = "fields"         // number, that of most, the separator
)

// Tellings are all of them.
var Tellings = []Telling{NoneFits, Absent, AbsentFile, AbsentTrack, Foreign, NoRow, Double, SameBarcode, Elsewhere, NoDay, LateDay, NoMeaning, BarcodeOf, NoBase, ManyBases, NoNumber,
	LessThanNone, DateStored, ErrorStored, NotALength, TracksLonger, RowsApart, MergedApart, SixtyTimes, TwiceAsLong, HalfAsLong, LengthApart, DigitsHidden, DigitsCut, DigitsFewer,
	ZerosDropped, WrongCheck, ZerosLacking, OtherBarcode, UnknownDisc, OthersDisc, UnnamedDisc, FewDiscs, ErrorShown, ValueUnsaved, LetterLost, LoneQuote, FieldsTooMany}

// Apart stands between the parts of a value that has several.
const Apart = "\x1f"

// about is what a row, or several, are about.
type about struct{ item, side, track string }

// where is a row as another one names it; the sheet is blank if both stand in one.
type where struct {
	line   int
	sheet  string
	hidden bool
}

// Tell is a telling with its values, as texts: what a Problem tells.
func Tell(is Telling, values ...any) []string {
	out := []string{string(is)}
	for _, v := range values {
		switch v := v.(type) {
		case string:
			out = append(out, joined(v))
		case []string:
			out = append(out, v...)
		case int:
			out = append(out, strconv.Itoa(v))
		case time.Duration:
			out = append(out, strconv.FormatInt(int64(v.Round(time.Second)/time.Second), 10))
		case time.Time:
			out = append(out, v.Format(time.DateOnly))
		case about:
			out = append(out, v.text())
		case where:
			out = append(out, joined(strconv.Itoa(v.line), v.sheet, strconv.FormatBool(v.hidden)))
		case []about:
			for _, a := range v {
				out = append(out, a.text())
			}
		case []time.Duration:
			for _, d := range v {
				out = append(out, Tell("", d)[1])
			}
		case sum:
			out = append(out, joined(v.path, v.kind, strconv.Itoa(v.n)))
		}
	}
	return out
}

func (a about) text() string { return joined(a.item, a.side, a.track) }

// joined is a value of some parts, none of which holds what stands between them.
func joined(parts ...string) string {
	for i, p := range parts {
		parts[i] = strings.ReplaceAll(p, Apart, " ")
	}
	return strings.Join(parts, Apart)
}

// sum is a file, or a number of things that are added up.
type sum struct {
	path string
	kind string // tracks, files or sides, if it is no file
	n    int
}
