// Package drivetest is a server that speaks the part of Google Drive's API
// (version 3) that an auditor uses, over HTTP, to the real client library. It is for
// tests and for the demonstration: it keeps its files in memory and listens on this
// computer only.
//
// It answers about.get, files.list, files.get, the bytes of a file, and the change
// log; it also gives out tokens, for service accounts' keys and for people's
// sign-ins. Whatever else a client may ask is refused, so that no test passes on a
// question that was only ignored.
//
// With Options.Document each request, and each good answer of its own, is held
// against the discovery document; see Violations. It can be told to misbehave; see
// Fault, and the methods of Server that change files behind their metadata.
//
// What the real service does and no document says is not proved by this server.
package drivetest
