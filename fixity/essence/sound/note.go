package sound

import "time"

// Code names what is odd about a file. Stored: never change one.
type Code string

// Note is one thing that is odd about one file.
type Note struct {
	Code   Code
	At     int64         // byte offset in the file; 0 for silence in FLAC, whose frames have none
	Length int64         // bytes concerned: missing, too many, zero; 0 if it isn't of a length
	From   time.Duration // where the note is of a stretch of the recording
	To     time.Duration
	Count  int64 // how many, where the note sums up others
}

// MostNotes is the most notes that one file gets: the readers of formats count
// what there could be many of.
const MostNotes = 200

// Weight is what a note means for the file.
type Weight string

// Weights of notes.
const (
	Breaks Weight = "breaks" // the sound is not whole
	Hides  Weight = "hides"  // it can't be told whether the sound is whole
	Odd    Weight = "odd"    // the file is not as its standard wants it; the sound isn't touched
	Remark Weight = "remark" // worth a look
)

// Sure is how sure a note is.
type Sure string

// How sure a note is.
const (
	Certain Sure = "certain" // by the standard and the bytes
	Likely  Sure = "likely"  // another reading is possible
	Ask     Sure = "ask"     // a question to a person: common practice, not a fault in itself
)

// The codes.
const (
	DataBeyondEnd  Code = "data-beyond-end"
	ChunkBeyondEnd Code = "chunk-beyond-end"
	FormBeyondEnd  Code = "form-beyond-end"
	FormSize       Code = "form-size"
	NoData         Code = "no-data"
	DataEmpty      Code = "data-empty"
	TwoData        Code = "two-data"
	NoFormat       Code = "no-format"
	FormatOdd      Code = "format-odd"
	FormatLate     Code = "format-late"
	HeaderOpen     Code = "header-open"
	SizeWrapped    Code = "size-wrapped"
	DS64Missing    Code = "ds64-missing"
	DS64Wrong      Code = "ds64-wrong"
	PadMissing     Code = "pad-missing"
	PartFrame      Code = "part-frame"
	CountWrong     Code = "count-wrong"
	Trailing       Code = "trailing"
	Prefixed       Code = "prefixed"
	ManyChunks     Code = "many-chunks"
	BextShort      Code = "bext-short"
	PaddingBits    Code = "padding-bits"
	OtherCodec     Code = "other-codec"
	SizeLimit      Code = "size-limit"
	Zeros          Code = "zeros"
	ZerosMore      Code = "zeros-more"
	FLACHeader     Code = "flac-header"
	FLACFrame      Code = "flac-frame"
	FLACCount      Code = "flac-count"
	FLACMD5        Code = "flac-md5"
	FLACNoMD5      Code = "flac-no-md5"
	FLACDepth      Code = "flac-depth"
	FLACNotDecoded Code = "flac-not-decoded"
	OpaqueFile     Code = "opaque"
	Blank          Code = "blank"
)

// Meaning is what a code says.
type Meaning struct {
	Code   Code
	Weight Weight
	Sure   Sure
	Means  string
}

// Meanings is every code with what it means. A test compares it with the codes.
var Meanings = []Meaning{
	{DataBeyondEnd, Breaks, Certain, "the samples should go on behind the end of the file: it was cut short"},
	{ChunkBeyondEnd, Breaks, Likely, "a part of the file should go on behind its end: it was cut short"},
	{FormBeyondEnd, Breaks, Likely, "the file should be longer by the size in its header: it was cut short"},
	{FormSize, Odd, Certain, "the size in the header doesn't count all parts of the file"},
	{NoData, Breaks, Certain, "there are no samples in the file"},
	{DataEmpty, Breaks, Certain, "the part that should hold the samples is empty"},
	{TwoData, Odd, Certain, "there is a second part with samples; only the first is the sound"},
	{NoFormat, Breaks, Certain, "nothing in the file says how the samples are to be read"},
	{FormatOdd, Hides, Certain, "what says how the samples are to be read contradicts itself"},
	{FormatLate, Odd, Certain, "what says how the samples are to be read lies behind them; one reading can't digest them"},
	{HeaderOpen, Hides, Likely, "the header was never completed: this may be the beginning of a longer recording"},
	{SizeWrapped, Odd, Likely, "the file is larger than the sizes in its header can say"},
	{DS64Missing, Breaks, Certain, "the sizes of this long file are to be in a part of it (ds64) that isn't there"},
	{DS64Wrong, Odd, Certain, "the sizes in ds64 don't agree with the file"},
	{PadMissing, Odd, Certain, "a part of odd length lacks the byte that should follow it"},
	{PartFrame, Odd, Certain, "the samples end inside a frame: the last one lacks some of its bytes"},
	{CountWrong, Odd, Certain, "the number of samples in the header isn't the number of samples in the file"},
	{Trailing, Odd, Certain, "bytes of no known use lie behind the last part of the file"},
	{Prefixed, Odd, Certain, "a tag lies before the beginning of the sound file"},
	{ManyChunks, Hides, Certain, "the file has too many parts to look at all of them"},
	{BextShort, Odd, Certain, "the broadcast description (bext) is shorter than its standard says"},
	{PaddingBits, Remark, Certain, "samples use bits below the depth that the header names"},
	{OtherCodec, Hides, Certain, "the samples are in a code that isn't taken apart here: can't tell whether they are whole"},
	{SizeLimit, Remark, Ask, "the file ends where a card's file system or a recorder ends a file: is there a next part?"},
	{Zeros, Remark, Ask, "exact digital silence inside the recording (common practice: a transfer of a tape has none)"},
	{ZerosMore, Remark, Ask, "there are more stretches of exact digital silence"},
	{FLACHeader, Breaks, Certain, "the FLAC header isn't whole"},
	{FLACFrame, Breaks, Certain, "a FLAC frame is damaged; what lies behind it was not decoded"},
	{FLACCount, Breaks, Certain, "the FLAC stream doesn't hold as many samples as its header says"},
	{FLACMD5, Breaks, Certain, "the decoded samples aren't those that the FLAC header's MD5 is of"},
	{FLACNoMD5, Remark, Certain, "the FLAC header has no MD5 of the samples to compare with"},
	{FLACDepth, Hides, Certain, "FLAC of 32 bits a sample can't be decoded here"},
	{FLACNotDecoded, Hides, Certain, "FLAC that was not decoded: can't tell whether it is whole"},
	{OpaqueFile, Hides, Certain, "no sound file of a kind known here: can't tell whether it is whole"},
	{Blank, Breaks, Certain, "the file holds nothing but zeros"},
}

// Meaning is what the note's code says, zero for a code that isn't known.
func (n Note) Meaning() Meaning {
	for _, m := range Meanings {
		if m.Code == n.Code {
			return m
		}
	}
	return Meaning{}
}

// Wholeness is what the notes say together.
type Wholeness string

// Whole says only that the file's own structure holds together, not that the
// bytes are those that were recorded: that is for digests.
const (
	Whole  Wholeness = "whole"
	Broken Wholeness = "broken"
	Untold Wholeness = "untold" // can't tell
)

// Judge sums up all notes of a file.
func Judge(notes []Note) Wholeness {
	w := Whole
	for _, n := range notes {
		switch n.Meaning().Weight {
		case Breaks:
			return Broken
		case Hides:
			w = Untold
		}
	}
	return w
}
