package walk

import (
	"encoding/binary"

	"firmus/fixity/essence/sound"
)

// MaxChunks is how many chunks of a file are looked at. No recorder writes a
// hundredth of it; a hostile file could ask for a read every eight bytes.
const MaxChunks = 10000

// Handler knows the chunks of a format.
type Handler interface {
	// Chunk is told of a chunk whose body begins at the offset at, with the size
	// in its header. It gives the body's true length, without padding, and how
	// many of its first bytes it wants to see, 0 for none.
	Chunk(id string, size uint32, at int64) (length int64, head int)

	// Head gets those bytes (fewer if the chunk is shorter), and says how many of
	// the bytes behind them to skip and how many then to pass to the sink.
	Head(id string, b []byte) (skip, pass int64)
}

// Chunks walks the chunks of a form: four letters, four bytes of size, a body, and
// a byte of padding behind a body of odd length. It is what WAVE (IBM and
// Microsoft, Multimedia Programming Interface 1.0, chapter 2) and AIFF 1.3 share.
type Chunks struct {
	Walker
	Size     int64            // of the file
	Order    binary.ByteOrder // of sizes
	Data     string           // the chunk that holds samples
	FormEnd  int64            // where the form's header says that the file ends; < 0 if it doesn't
	SizeCode sound.Code       // for a form whose size leaves parts out
	Handler  Handler
	Notes    []sound.Note

	n       int
	length  int64 // of the chunk begun
	bodyEnd int64
	id      string
	head    int
	end     int64 // of the last whole chunk, padding included
	cut     bool  // a chunk goes beyond the file's end
	pad     bool  // a byte of padding is to come
	done    bool  // the chunks are over
}

// mostAlike is how many notes of one code are kept; a hostile file could earn
// thousands.
const mostAlike = 8

// Note adds a note, or counts it in the last of its code if there are many.
func (c *Chunks) Note(code sound.Code, at, length int64) {
	n, last := 0, 0
	for i := range c.Notes {
		if c.Notes[i].Code == code {
			n, last = n+1, i
		}
	}
	if n >= mostAlike {
		c.Notes[last].Count++
		return
	}
	c.Notes = append(c.Notes, sound.Note{Code: code, At: at, Length: length})
}

// Next is the step to the next chunk.
func (c *Chunks) Next() Step {
	c.end = c.At()
	return Step{Need: 8, Then: c.header}
}

// plausible says that b begins like a chunk: four printable characters.
func plausible(b []byte) bool {
	for _, x := range b[:4] {
		if x < 0x20 || x > 0x7e {
			return false
		}
	}
	return true
}

func (c *Chunks) header(b []byte) Step {
	if c.pad {
		c.pad = false
		// Some writers forget the padding: it was forgotten if a chunk begins here.
		if plausible(b) {
			c.Note(sound.PadMissing, c.At()-8, 1)
		} else {
			c.end++
			return Step{Need: 8, Keep: b[1:], Then: c.header}
		}
	}
	at := c.At()
	if c.n++; c.n > MaxChunks {
		c.Note(sound.ManyChunks, at-8, c.Size-at+8)
		c.done, c.end = true, c.Size
		return Step{}
	}
	if !plausible(b) {
		return c.trailing()
	}
	c.id = string(b[:4])
	size := c.Order.Uint32(b[4:])
	if c.FormEnd >= 0 && at-8 >= c.FormEnd && int64(size) > c.Size-at {
		// Behind the end of the form letters mean nothing: a tag, not a chunk.
		return c.trailing()
	}
	c.length, c.head = c.Handler.Chunk(c.id, size, at)
	if over := at + c.length - c.Size; over > 0 {
		c.cut = true
		code := sound.ChunkBeyondEnd
		if c.id == c.Data {
			code = sound.DataBeyondEnd
		}
		c.Note(code, c.Size, over)
	}
	c.bodyEnd = at + c.length
	c.head = int(min(int64(c.head), c.length))
	return Step{Need: c.head, Then: c.body}
}

// Left is, in Head, the number of bytes of the chunk's body behind the head, also
// those that the file lacks.
func (c *Chunks) Left() int64 { return c.bodyEnd - c.At() }

func (c *Chunks) trailing() Step {
	c.Note(sound.Trailing, c.At()-8, c.Size-c.At()+8)
	c.done = true
	return Step{}
}

func (c *Chunks) body(b []byte) Step {
	skip, pass := c.Handler.Head(c.id, b)
	left := c.length - int64(len(b))
	skip = max(0, min(skip, left))
	pass = max(0, min(pass, left-skip))
	rest := func([]byte) Step { return Step{Skip: left - skip - pass, Then: c.after} }
	samples := func([]byte) Step { return Step{Pass: pass, Then: rest} }
	return Step{Skip: skip, Then: samples}
}

func (c *Chunks) after([]byte) Step {
	c.pad = c.length%2 == 1
	return c.Next()
}

// Finish is called when the file is over, and notes what is wrong with its end.
func (c *Chunks) Finish() {
	if c.cut {
		return
	}
	p := c.Pending()
	if !c.done && len(p) < 8 && c.end+int64(len(p)) == c.Size {
		if c.pad && len(p) == 0 {
			c.Note(sound.PadMissing, c.Size, 1)
		}
		if c.pad && len(p) > 0 {
			p = p[1:]
			c.end++
		}
		if len(p) > 0 {
			c.Note(sound.Trailing, c.end, int64(len(p)))
		}
	}
	switch {
	case c.FormEnd < 0:
	case c.FormEnd > c.Size+1, c.FormEnd == c.Size+1 && !c.pad:
		c.Note(sound.FormBeyondEnd, c.Size, c.FormEnd-c.Size)
	case c.FormEnd < c.end-1, c.FormEnd == c.end-1 && c.end == c.Size && c.length%2 == 0:
		c.Note(c.SizeCode, c.FormEnd, c.end-c.FormEnd)
	}
}
