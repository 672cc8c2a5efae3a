package stave

import (
	"fmt"
	"html/template"
	"slices"
)

// marks are squares, not note heads: they hold in grey, small and in print. Each stands
// beside a word and is told by nothing but its shape.
var marks = map[string]string{
	"intact":       `<rect x="2" y="2" width="12" height="12" class="full" fill="currentColor"/>`,
	"reported":     `<rect x="2" y="2" width="12" height="12"/><rect x="5.5" y="5.5" width="5" height="5" class="full" fill="currentColor"/>`,
	"awaited":      `<rect x="2" y="2" width="12" height="12" stroke-dasharray="2 2.4"/>`,
	"behind":       `<rect x="2" y="2" width="12" height="12"/><path d="M2 2H8V14H2Z" class="full" fill="currentColor"/>`,
	"editing":      `<rect x="2" y="2" width="12" height="12"/><path d="M5 11L11 5"/>`,
	"altered":      `<rect x="2" y="2" width="12" height="12"/><path d="M2 8L8 2M2 14L14 2M8 14L14 8"/>`,
	"missing":      `<path d="M5 2H2V14H5M11 2H14V14H11"/>`,
	"misplaced":    `<path d="M2 2H8V8H2Z"/><path d="M8 8H14V14H8Z" class="full" fill="currentColor"/>`,
	"unreadable":   `<path d="M6 2H2V14H6M10 2H14V14H10M5 5L11 11M11 5L5 11"/>`,
	"unsteady":     `<path d="M2 14L5 2L8 14L11 2L14 14"/>`,
	"disputed":     `<path d="M2 2H7V14H2ZM9 2H14V14H9Z"/>`,
	"unexpected":   `<path d="M2 8H14M8 2V14"/>`,
	"unfinished":   `<path d="M14 2H2V14H14"/><path d="M2 2H8V14H2Z" class="full" fill="currentColor"/>`,
	"away":         `<path d="M1 8H5M11 8H15"/>`,
	"late":         `<rect x="2" y="2" width="12" height="12"/><path d="M8 4V8L11 10"/>`,
	"few":          `<path d="M2 2H8V8H2Z" class="full" fill="currentColor"/><path d="M8 14H14V8"/>`,
	"fading":       `<rect x="2" y="2" width="12" height="12"/><path d="M2 6H14M2 10H11"/>`,
	"reorganised":  `<path d="M2 5H12L9 2M14 11H4L7 14"/>`,
	"not yet":      `<path d="M7 8H9"/>`,
	"not expected": `<path d="M2 14L14 2"/>`,
}

// asMarks are other names of the same marks.
var asMarks = map[string]string{"damaged": "altered", "changed": "altered", "being edited": "editing", "incomplete": "unfinished"}

// Mark is the mark of a state, to stand before its word; "" for a state that has none.
func Mark(state string) template.HTML {
	if as, ok := asMarks[state]; ok {
		state = as
	}
	shape, ok := marks[state]
	if !ok {
		return ""
	}
	return template.HTML(fmt.Sprintf(`<svg class="mark" width="16" height="16" viewBox="0 0 16 16" aria-hidden="true" fill="none" stroke="currentColor" stroke-width="1.6">%s</svg>`, shape))
}

// Marked are all states that have a mark, by name.
func Marked() (out []string) {
	for s := range marks {
		out = append(out, s)
	}
	slices.Sort(out)
	return out
}
