// Package s3 reads folders of buckets on S3-compatible services for package cloud. It makes
// GET and HEAD requests and nothing else ever: it can't write, delete, restore or unlock.
//
// What is odd about such services, by the Amazon S3 API Reference, and as tried on servers
// of the protocol:
//
//   - There are no folders, but keys with slashes in them. What lies in a prefix is listed in
//     one go; folders are made up here from the keys.
//   - A listing is believed only if it names the bucket: the client library reads a page for
//     people as an empty bucket. A 404 says nothing by itself: a HEAD has no body to say why.
//   - Checksums describe what was uploaded. They are there if whoever uploaded asked for one,
//     or the service makes its own. One of the whole object is taken as it is; one of an upload
//     in parts (COMPOSITE), and such an ETag, is of the parts' checksums: it is taken as a
//     checksum by parts of a size, if all but the last have the size of the first, which is asked
//     for.
//     A listing has no values: they are asked for object by object.
//   - An ETag is an MD5 only of what was uploaded in one part and isn't encrypted with a key of
//     one's own, and nothing says for sure which is so. That it agrees counts, that it doesn't
//     is no evidence.
//   - A bucket that keeps versions puts a delete marker on top of what is deleted: a listing
//     shows nothing, and the object is still there.
//   - What lies in an archive class is listed, and can't be read before somebody restores it.
//   - What an answer says of an encoding of the bytes (Content-Encoding) is what the uploading
//     program said, and may be left over from how it sent them: the bytes are as they're kept.
//   - A service that doesn't take part in encoding-type shows control characters in names as
//     U+FFFD: which object that is, nobody can say.
//
// The secret key signs each request and is sent nowhere.
package s3
