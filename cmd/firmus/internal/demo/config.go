package demo

import _ "embed"

// configuration is the world's firmus.toml.
//
//go:embed firmus.toml
var configuration []byte
