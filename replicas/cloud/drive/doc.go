// Package drive reads folders of Google Drive, by version 3 of its API, for
// package cloud. It knows the API's fields, errors and credentials; paths,
// listings and repeated calls are package cloud's.
//
// It asks for one scope, drive.readonly, and for nothing else ever: it can't write,
// share or delete. With a service account's key, which is how it should be used, it
// sees what was shared with that account and nothing else. With a person's own
// sign-in it sees all of that person's drive, though it looks into the configured
// folder only.
//
// What is odd about the service, by its discovery document (the file
// drive-api.json of the client module) and guides:
//
//   - What isn't asked for in "fields" reads as zero, not as unknown; fileFields
//     names all that is used.
//   - Things of shared drives are answered with 404 unless supportsAllDrives is set.
//   - The size is also given of documents that have no bytes; what has bytes has an
//     MD5 digest or a head revision.
//   - Slow down is said with status 403; what is meant is in the error's reason.
//   - A short page is not the last one; only a missing nextPageToken is.
//
// All of this is tried against package drivetest, which is held against that
// document. None of it has been confirmed with the service itself yet:
// TestContractLive is there for whoever has an account.
package drive
