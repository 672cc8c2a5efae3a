// Package burn makes images of discs, for the demo to have some without a drive and
// without any other program: Data makes a data disc's file system, ISO 9660 (ECMA-119)
// with Rock Ridge (RRIP 1.12) and Joliet, Raw its sectors as they lie on a compact
// disc (ECMA-130), Sound an audio disc's samples with a cue sheet.
//
// It works in memory, and is meant for some megabytes. It burns nothing: no drive is
// touched.
package burn
