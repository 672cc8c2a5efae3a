package private

import "io/fs"

type owner struct{}

func ownerOf(fs.FileInfo) owner { return owner{} }

func (owner) give(string) {}

func (owner) group() int { return -1 }
