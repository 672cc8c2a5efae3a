package damage_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
)

// Where two pieces differ: equal bytes between differences part them from MergeGap on.
func TestBetween(t *testing.T) {
	a := noise(1000, 1)
	for name, c := range map[string]struct {
		at   []int
		want []fixity.Range
	}{
		"nowhere":           {nil, nil},
		"the first byte":    {[]int{0}, ranges(5000, 5001)},
		"the last byte":     {[]int{999}, ranges(5999, 6000)},
		"side by side":      {[]int{7, 8}, ranges(5007, 5009)},
		"63 bytes between":  {[]int{7, 7 + damage.MergeGap}, ranges(5007, 5008+damage.MergeGap)},
		"64 bytes between":  {[]int{7, 8 + damage.MergeGap}, ranges(5007, 5008, 5008+damage.MergeGap, 5009+damage.MergeGap)},
		"three in a row":    {[]int{7, 40, 80}, ranges(5007, 5081)},
		"two, then another": {[]int{7, 9, 200}, ranges(5007, 5010, 5200, 5201)},
	} {
		if diff := cmp.Diff(c.want, damage.Between(5000, a, flip(a, c.at...))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestDuration(t *testing.T) {
	for name, c := range map[string]struct {
		l    damage.Layout
		want time.Duration
	}{
		"none":                          {damage.Layout{}, 0},
		"plain samples":                 {damage.Layout{DataLength: 576_000, BytesPerFrame: 6, Rate: 96_000}, time.Second},
		"and a part of a frame":         {damage.Layout{DataLength: 576_005, BytesPerFrame: 6, Rate: 96_000}, time.Second},
		"compressed":                    {damage.Layout{DataLength: 1000, Frames: 48_000, Rate: 48_000}, time.Second},
		"plain samples go first":        {damage.Layout{DataLength: 576_000, BytesPerFrame: 6, Frames: 7, Rate: 96_000}, time.Second},
		"no rate":                       {damage.Layout{DataLength: 100, BytesPerFrame: 1}, 0},
		"a negative rate":               {damage.Layout{DataLength: 100, BytesPerFrame: 1, Rate: -1}, 0},
		"rounded":                       {damage.Layout{DataLength: 2, BytesPerFrame: 1, Rate: 3}, 666_666_667},
		"nearly as long as can be told": {damage.Layout{DataLength: 9223372035, BytesPerFrame: 1, Rate: 1}, 9223372035 * time.Second},
		"longer than can be told":       {damage.Layout{DataLength: 9223372036, BytesPerFrame: 1, Rate: 1}, 1<<63 - 1},
		"a century":                     {damage.Layout{DataLength: 36525 * 86400 * 4, BytesPerFrame: 1, Rate: 4}, 36525 * 24 * time.Hour},
	} {
		if got := c.l.Duration(); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// Few bytes that differ are flips however small the file, and a file of zeros is zeroed.
func TestFewBytes(t *testing.T) {
	a := noise(12, 1)
	at := func(n int) (out []int) {
		for i := range n {
			out = append(out, i)
		}
		return out
	}
	for n, want := range map[int]fixity.Anatomy{1: fixity.Flipped, damage.FewBytes: fixity.Flipped, damage.FewBytes + 1: fixity.Replaced} {
		if d := fromBytes(t, a, flip(a, at(n)...)); d.Anatomy != want {
			t.Errorf("%d of 12 bytes: %s, want %s", n, d.Anatomy, want)
		}
	}
	long := noise(100, 2)
	for n, want := range map[int]fixity.Anatomy{50: fixity.Flipped, 51: fixity.Replaced} {
		if d := fromBytes(t, long, flip(long, at(n)...)); d.Anatomy != want {
			t.Errorf("%d of 100 bytes: %s, want %s", n, d.Anatomy, want)
		}
	}
}

// What differs is added up over all stretches.
func TestHalfInTwoStretches(t *testing.T) {
	a := noise(1000, 7)
	for n, want := range map[int]fixity.Anatomy{250: fixity.Flipped, 251: fixity.Replaced} {
		var at []int
		for i := range n {
			at = append(at, i, 600+i)
		}
		if d := fromBytes(t, a, flip(a, at...)); d.Anatomy != want {
			t.Errorf("twice %d of 1000 bytes: %s, want %s", n, d.Anatomy, want)
		}
	}
}

// Zeros in a file that was cut: one run of them, up to its end, behind a right beginning.
func TestCutWithZeros(t *testing.T) {
	a := noise(3*block, 3)
	cut := a[:2*block+500]
	n := len(cut)
	for name, c := range map[string]struct {
		got         []byte
		bytes, sums fixity.Anatomy
	}{
		"up to its end":              {zero(cut, n-damage.MinZeroed, n), fixity.CutShort, fixity.CutShort},
		"too few of them":            {zero(cut, n-damage.MinZeroed+1, n), fixity.Replaced, fixity.CutShort},
		"not up to its end":          {zero(cut, n-200, n-1), fixity.Replaced, fixity.CutShort},
		"from its first byte":        {make([]byte, n), fixity.Replaced, fixity.Replaced},
		"from its second":            {zero(cut, 1, n), fixity.CutShort, fixity.Replaced},
		"two runs":                   {zero(zero(cut, 100, 300), n-200, n), fixity.Replaced, fixity.Replaced},
		"another byte before":        {flip(zero(cut, n-200, n), 5), fixity.Replaced, fixity.Replaced},
		"from a block on":            {zero(cut, block, n), fixity.CutShort, fixity.CutShort},
		"from the last block on":     {zero(cut, 2*block, n), fixity.CutShort, fixity.CutShort},
		"from within a block on":     {zero(cut, block+9, n), fixity.CutShort, fixity.CutShort},
		"a block of them, no others": {zero(cut, block, 2*block), fixity.Replaced, fixity.Replaced},
	} {
		if d := fromBytes(t, a, c.got); d.Anatomy != c.bytes {
			t.Errorf("%s: by bytes %s, want %s", name, d.Anatomy, c.bytes)
		}
		if d := damage.FromBlocks(sums(a), sums(c.got)); d.Anatomy != c.sums || d.Sure && d.Anatomy != c.bytes {
			t.Errorf("%s: by sums %s (sure %t), want %s", name, d.Anatomy, d.Sure, c.sums)
		}
	}
}

// A file that was cut at a block, and of which the last block is another one, isn't cut short:
// nothing but zeros up to its end would be.
func TestCutAndAnotherLastBlock(t *testing.T) {
	a := noise(3*block, 3)
	for name, got := range map[string][]byte{"its last block": flip(a[:2*block], block+9), "its last but one": flip(a[:3*block-9], block+9)} {
		d, e := damage.FromBlocks(sums(a), sums(got)), fromBytes(t, a, got)
		if d.Anatomy != fixity.Replaced || d.Sure || e.Anatomy != fixity.Replaced {
			t.Errorf("%s: by sums %s (sure %t), by bytes %s", name, d.Anatomy, d.Sure, e.Anatomy)
		}
	}
}

// Runs of zeroed blocks: of three or more, with nothing else beside them, sums are sure.
func TestRunsOfZeros(t *testing.T) {
	a := noise(12*block, 4)
	for name, c := range map[string]struct {
		got     []byte
		anatomy fixity.Anatomy
		sure    bool
	}{
		"two blocks":                   {zero(a, 2*block, 4*block), fixity.Zeroed, false},
		"three blocks":                 {zero(a, 2*block, 5*block), fixity.Zeroed, true},
		"three and two":                {zero(zero(a, 0, 3*block), 5*block, 7*block), fixity.Zeroed, false},
		"three and three":              {zero(zero(a, 0, 3*block), 5*block, 8*block), fixity.Zeroed, true},
		"with an edge before":          {zero(a, 2*block-9, 5*block), fixity.Zeroed, false},
		"with an edge behind":          {zero(a, 2*block, 5*block+9), fixity.Zeroed, false},
		"with both edges":              {zero(a, 2*block-9, 5*block+9), fixity.Zeroed, false},
		"two edges alone":              {zero(a, 3*block-9, 3*block+9), fixity.Flipped, false},
		"with two edges before":        {flip(zero(a, 3*block, 6*block), block+5, 2*block+5), fixity.Flipped, false},
		"another in its middle":        {flip(zero(a, 2*block, 7*block), 4*block+5), fixity.Flipped, false},
		"three, and a flip far away":   {flip(zero(a, 2*block, 5*block), 9*block), fixity.Flipped, false},
		"a flip, then three far away":  {flip(zero(a, 6*block, 9*block), 9), fixity.Flipped, false},
		"three, then three with edges": {zero(zero(a, 0, 3*block), 6*block-9, 9*block), fixity.Zeroed, false},
	} {
		if d := damage.FromBlocks(sums(a), sums(c.got)); d.Anatomy != c.anatomy || d.Sure != c.sure {
			t.Errorf("%s: %s, sure %t; want %s, %t", name, d.Anatomy, d.Sure, c.anatomy, c.sure)
		}
	}
}

// Of blocks without sums nothing is known: they differ, from the first of them to the end.
func TestLackingBlocks(t *testing.T) {
	a := sums(noise(5*block+9, 5))
	lacks := func(n int) digest.Sums { return digest.Sums{Size: a.Size, Blocks: a.Blocks[:n]} }
	both := func(n int) damage.Damage { return damage.FromBlocks(lacks(n), lacks(n)) }
	for n, want := range map[int][]fixity.Range{6: nil, 5: ranges(5*block, 5*block+9), 2: ranges(2*block, 5*block+9), 0: ranges(0, 5*block+9)} {
		if d := both(n); !cmp.Equal(d.Ranges, want) || d.Blocks != 6-n {
			t.Errorf("%d of 6 sums: %+v", n, d)
		}
	}
	other := digest.Sums{Size: a.Size, Blocks: append([]uint32{}, a.Blocks[:4]...)}
	other.Blocks[1]++
	if d := damage.FromBlocks(lacks(4), other); !cmp.Equal(d.Ranges, ranges(block, 2*block, 4*block, 5*block+9)) || d.Blocks != 3 {
		t.Errorf("one differs besides: %+v", d)
	}
	other.Blocks[1], other.Blocks[3] = a.Blocks[1], a.Blocks[3]+1
	if d := damage.FromBlocks(lacks(4), other); !cmp.Equal(d.Ranges, ranges(3*block, 5*block+9)) || d.Blocks != 3 {
		t.Errorf("the one before differs: %+v", d)
	}
	// Nothing is made of a sum that lacks: not even that it is the sum 0, which a block can have.
	if d := damage.FromBlocks(digest.Sums{Size: 2 * block, Blocks: []uint32{1, 0}}, digest.Sums{Size: 2 * block, Blocks: []uint32{1}}); !cmp.Equal(d.Ranges, ranges(block, 2*block)) {
		t.Errorf("a block whose sum is 0, and one without: %+v", d)
	}
	zeros := sums(make([]byte, 5*block))
	// Blocks of zeros, and one that nobody knows behind them, aren't a stretch of zeros.
	for n, want := range map[int]fixity.Anatomy{4: fixity.Replaced, 5: fixity.Zeroed} {
		d := damage.FromBlocks(digest.Sums{Size: zeros.Size, Blocks: a.Blocks[:n]}, digest.Sums{Size: zeros.Size, Blocks: zeros.Blocks[:n]})
		if d.Anatomy != want {
			t.Errorf("%d blocks of zeros: %s, want %s", n, d.Anatomy, want)
		}
	}
	// Zeros at the beginning, and sums that lack at the end: one known block of zeros says
	// nothing of two unknown ones.
	some := digest.Sums{Size: a.Size, Blocks: append([]uint32{zeros.Blocks[0]}, a.Blocks[1:4]...)}
	if d := damage.FromBlocks(lacks(4), some); d.Anatomy == fixity.Zeroed || !cmp.Equal(d.Ranges, ranges(0, block, 4*block, 5*block+9)) {
		t.Errorf("zeros, and two blocks without sums: %+v", d)
	}
	if d := damage.FromBlocks(sums(noise(5*block, 6)), digest.Sums{Size: zeros.Size, Blocks: zeros.Blocks[:4]}); d.Anatomy == fixity.Zeroed && d.Sure {
		t.Errorf("zeros, and one block without a sum: %+v", d)
	}
}

func TestSpansAtTheirBounds(t *testing.T) {
	l := damage.Layout{DataOffset: 100, DataLength: 24, BytesPerFrame: 12, BytesPerSample: 2, Channels: 6, Rate: 1}
	for name, c := range map[string]struct {
		l    damage.Layout
		in   []fixity.Range
		want []int
	}{
		"eleven of twelve bytes":   {l, ranges(100, 111), nil},
		"ten of twelve":            {l, ranges(100, 110), []int{1, 2, 3, 4, 5}},
		"a whole frame":            {l, ranges(100, 112), nil},
		"half a sample and half":   {l, ranges(101, 103), []int{1, 2}},
		"a sample of the second":   {l, ranges(114, 116), []int{2}},
		"no channels":              {damage.Layout{DataOffset: 100, DataLength: 24, BytesPerFrame: 12, BytesPerSample: 12, Rate: 1}, ranges(100, 101), nil},
		"one channel is touched":   {damage.Layout{DataOffset: 100, DataLength: 24, BytesPerFrame: 2, BytesPerSample: 2, Channels: 1, Rate: 1}, ranges(100, 101), nil},
		"samples of no known size": {damage.Layout{DataOffset: 100, DataLength: 24, BytesPerFrame: 12, Channels: 6, Rate: 1}, ranges(100, 101), nil},
	} {
		s := damage.Times(c.in, c.l)
		if len(s) != 1 || !cmp.Equal(s[0].Channels, c.want) {
			t.Errorf("%s: %+v, want channels %v", name, s, c.want)
		}
	}
	if got := damage.Times(ranges(90, 130), damage.Layout{DataOffset: 100, DataLength: -5, BytesPerFrame: 1, Rate: 1}); !cmp.Equal(got, []damage.Span{{Range: ranges(90, 100)[0]}, {Range: ranges(100, 130)[0]}}) {
		t.Errorf("a negative length: %+v", got)
	}
	if got := damage.Times(ranges(100, 100), l); len(got) != 0 {
		t.Errorf("nothing: %+v", got)
	}
	if got := damage.Times(ranges(100, 101), damage.Layout{DataOffset: 100, DataLength: 9, Rate: 1}); len(got) != 1 || got[0].About {
		t.Errorf("compressed, of no known length: %+v", got)
	}
}

func TestColumnsAtTheirBounds(t *testing.T) {
	span := func(from, to time.Duration) []damage.Span { return []damage.Span{{InSound: true, From: from, To: to}} }
	for name, c := range map[string]struct {
		spans []damage.Span
		width int
		want  string
	}{
		"to the edge of a column":     {span(0, 10), 10, "#........."},
		"just past it":                {span(0, 11), 10, "##........"},
		"from the edge":               {span(10, 20), 10, ".#........"},
		"before the beginning":        {span(-5, 5), 10, "#........."},
		"at the very end":             {span(100, 100), 10, ".........#"},
		"the last instant":            {span(99, 100), 10, ".........#"},
		"one column":                  {span(50, 60), 1, "#"},
		"description, then the sound": {append([]damage.Span{{}}, span(0, 5)...), 10, "#........."},
	} {
		got := ""
		for _, hurt := range damage.Columns(c.spans, 100, c.width) {
			got += map[bool]string{false: ".", true: "#"}[hurt]
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	if damage.Columns(nil, -1, 5) != nil || damage.Columns(nil, 5, -1) != nil {
		t.Error("there are columns of less than nothing")
	}
	for d, want := range map[time.Duration]string{-time.Second: "0:00:00.000", 0: "0:00:00.000", time.Hour - time.Millisecond: "0:59:59.999", time.Hour: "1:00:00.000"} {
		if got := damage.Clock(d); got != want {
			t.Errorf("%d: %s, want %s", d, got, want)
		}
	}
}
