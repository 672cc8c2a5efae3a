// Package manifest reads, writes and verifies lists of files and their digests.
//
// A manifest is a text named manifest-<alg>.txt, as RFC 8493 defines it in
// section 2.1.3: one line a file,
//
//	digest, one or more blanks or tabs, path
//
// The digest is hexadecimal of either case. The path is relative to the folder
// that the manifest lies in and its parts are divided by "/". In the path the
// characters CR, LF and % are written %0D, %0A and %25, and no others are coded.
// Lines end with LF, CR or CRLF; the last may lack its end. This package writes
// lower-case digests, two blanks and LF, in the order of the paths' bytes, so that
// the checksum programs of an operating system read the lists too.
//
// A folder manifest lists the files of a folder that is no bag. There the two
// characters after the digest are the separator and all the rest is the name, so
// that a name may begin or end with blanks. Where no such file is there, the line
// is read by RFC 8493's rule.
//
// Oddities that are understood, each with a warning that names list and line: a
// "*" or "./" before the path; the forms that checksum programs write; names that
// differ from what lies there only by Unicode normalisation or by case (section
// 6.1.1.3); names whose % isn't coded; a byte order mark.
//
// A path that leads out of the folder (section 5.1) is a problem and never
// opened. Nothing is opened but what the folder's own listing showed as a file.
//
// The package neither writes files nor knows where a folder lies: it is given a
// Folder to read and an io.Writer to write to. Bags are package bag; lists that
// came with files are package provided.
package manifest
