// Package disk is a store on a mounted file system: one Dir is the root of one
// set in one store. It knows nothing of ledgers, digests or what should lie there.
//
// Everything goes through os.Root, so nothing outside the root is ever touched.
// Links are never followed, files that aren't regular are never opened, nothing
// is mapped into memory. No handle on the root is kept between calls, so that a
// drive can be ejected.
//
// A call on a dead mount may never return. Every method gives up when its ctx
// ends, with the cause of ctx in the error; later calls on the same Dir wait for
// the one that hangs, so there is at most one a Dir unless calls are made at once.
//
// Names that begin with ".firmus" are this program's own and never listed.
package disk
