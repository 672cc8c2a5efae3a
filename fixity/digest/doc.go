// Package digest reads a stream once and gives any digests of it, with a sum of
// every 64 KiB block, so that a difference can be placed within the file.
//
// Algorithms: MD5 (RFC 1321), SHA-1 and SHA-2 (FIPS 180-4), BLAKE3 with 32 bytes
// of output, unkeyed. Block sums are CRC-32C (Castagnoli; RFC 3720, section
// 12.1): they say where a file differs, never that it doesn't.
package digest
