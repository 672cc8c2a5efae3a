package ground

import "path/filepath"

func resolve(path string) (string, error) { return filepath.EvalSymlinks(path) }
