// Package cloud is a store whose files are kept by a service on the net: one
// Folder is the root of one set, a Store the folder that holds one sub-folder a
// set, named like the set. What speaks to a particular service is an
// implementation of Service; package drive is one. Everything here only reads.
//
// What is odd about such a store:
//
//   - Things have ids, and names are for people: two things of one name may lie
//     side by side, and names may hold a slash. A path is a list of names, put
//     together here and never used on a disk. See Folder for how it is made.
//   - Digests come with the listing. They are what the service recorded when the
//     file arrived (strength "reported"): they show that a file was exchanged, not
//     that its bytes have rotted. Only reading shows that.
//   - Answers may be old or partial. A listing is believed only when every page of
//     it came and none says that it is partial; what changed while it was made is
//     put in from the change log; what it no longer shows is asked for by id, and
//     listed a second time.
//   - That a file can't be seen doesn't say why: deleted, moved out, or no longer
//     shared. Confirm says what can be known.
//
// Calls are repeated after a while where the service says, or the kind of error
// shows, that this may help: never more often than Options say. Every other error
// is an *Error that says whose it is.
package cloud
