// Package bag reads and verifies bags of versions 0.93 to 1.0 and makes bags of
// version 1.0, as RFC 8493 defines them: a folder with bagit.txt, a folder data
// that holds the payload, a manifest of the payload by each of one or more
// algorithms, and perhaps manifests of the other files ("tag files").
//
// A bag is complete when everything is there that must be, nothing else is in the
// payload, and all of it is well formed; it is valid when every digest agrees too
// (section 3). Payload-Oxum is never taken for that. What one fault brings with it
// is told with that fault: a bag with one fault has one problem.
//
// No path leads out of a bag (section 5.1): only what the folder's own listing
// showed as a file is opened. Nothing is fetched: fetch.txt is checked, and a file
// in it that isn't there is missing. Text encodings are those that
// golang.org/x/text knows.
//
// Versions below 1.0 differ in this: paths aren't percent-coded but for CR and LF,
// a payload file needs to be in one manifest only, blanks around colons are free,
// and before 0.96 bag-info.txt was called package-info.txt.
package bag
