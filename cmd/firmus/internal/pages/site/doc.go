// Package site is what every page uses: who asks and what they may do, rendering, acts that
// are ordered and their progress, statements to print, and words that pages share. It knows
// no page but those of signing in and of an act that goes on. Whoever asks is known by a
// session (session.go), and what they may do by their role.
package site
