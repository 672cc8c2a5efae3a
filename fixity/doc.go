// Package fixity holds the nouns of Firmus: digests, entries, states, evidence
// and findings, with the words that are stored for them. It has no behaviour
// beyond parsing, printing and comparing, imports the standard library only, and
// is imported by everything else.
//
// Fixity is the property of a file of being bit for bit what was recorded
// (PREMIS 3.0, semantic unit 1.5.2).
package fixity
