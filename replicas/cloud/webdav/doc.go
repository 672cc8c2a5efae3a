// Package webdav reads folders of a WebDAV server (RFC 4918) for package cloud. It sends
// PROPFIND and GET and nothing else ever: it can't write, move or delete.
//
// What is odd about such servers:
//
//   - A folder is asked for with Depth 1, one by one. Servers refuse Depth infinity (403 or
//     412), and some take it for 1 without a word: all below would look deleted.
//   - An answer is a listing only if it is a whole multistatus with an entry for the folder
//     itself. A page for people, an empty answer and one that is cut off are none.
//   - Inside of it each thing and each property has a status of its own. What lacks its kind
//     or size is shown as a thing of which nothing can be said, not as an empty file.
//   - There is no digest in the standard. Some servers have a property of their own with what
//     the uploading program said (checksums, http://owncloud.org/ns), which they don't check:
//     that it agrees is a report, that it doesn't is none.
//   - An ETag tells a change, and nothing of the bytes. It may be weak for a moment after one,
//     and strong later: the two are the same here.
//   - Names are bytes, percent-encoded. They need not be UTF-8.
//
// The user and password go to the configured host alone: over https, and over plain http on
// this computer only.
package webdav
