// Package letters writes the letters that leave the house, keeps them in an outbox
// and sends them.
//
// Fill follows the record by a cursor and lays letters into the outbox, in one
// transaction with the cursor; Send sends what waits. So a letter is written once,
// with its text and its Message-ID, and sent until a server has taken it: a kill in
// between loses nothing, and at worst the same letter comes twice.
//
// At once goes what is more than untidy; a second letter follows when the file's
// other copies have been read, and a last one when it is put right. Everything else
// waits for the weekly letter. A letter stands alone: it needs no link, no colour
// and no HTML. It claims no more than the ledger holds, and names no performer or
// title unless told to.
//
// Messages follow RFC 5322, their answers to one another its section 3.6.4; the
// calendar entry is RFC 5545.
package letters
