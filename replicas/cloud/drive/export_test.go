package drive

import (
	"firmus/replicas/cloud"

	api "google.golang.org/api/drive/v3"
)

// FileFields are the fields of a file that are asked for.
const FileFields = fileFields

// Item is a file as package cloud has it.
func Item(f *api.File) (cloud.Item, error) { return item(f) }

// Quote makes a string of the query language.
func Quote(s string) string { return quote(s) }

// LoadTestCredential reads a credential whose tokens come from a test server.
func LoadTestCredential(path, url string) (*Credential, error) { return loadCredential(path, url) }
