// Package provided finds checksum lists that came with files, so that what they
// say can be verified before the files are taken in: folder manifests, the
// manifests of bags, and lists as checksum programs write them.
package provided
