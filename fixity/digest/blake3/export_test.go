package blake3

// Narrow has the libraries hash while do goes on.
func Narrow(do func()) {
	h, n := newHash, nodeOf
	newHash, nodeOf = narrowHash, narrowNode
	defer func() { newHash, nodeOf = h, n }()
	do()
}
