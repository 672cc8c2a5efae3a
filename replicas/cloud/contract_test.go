package cloud_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/faulty"
	"firmus/replicas/testing/replicatest"
)

// harness makes a set of a new archive, wrapped by wrap.
func harness(shared bool, wrap func(*cloud.Folder) replicatest.Store) replicatest.Harness {
	return replicatest.Harness{
		New: func(t *testing.T, files map[string]string) replicatest.Fixture {
			a := cloudtest.NewArchive(t, shared, nil)
			for path, data := range files {
				a.Put(a.Masters, path, []byte(data))
			}
			at := func(t *testing.T, path string) string {
				id := a.Find(a.Masters, path)
				if id == "" {
					t.Fatalf("%q isn't there", path)
				}
				return id
			}
			folder := func(t *testing.T, path string) (id, name string) {
				i := strings.LastIndexByte(path, '/')
				if i < 0 {
					return a.Masters, path
				}
				return at(t, path[:i]), path[i+1:]
			}
			return replicatest.Fixture{
				Store:  wrap(a.Store.Set("masters", nil)),
				Write:  func(t *testing.T, path, data string) { a.Put(a.Masters, path, []byte(data)) },
				Remove: func(t *testing.T, path string) { a.Delete(at(t, path)) },
				Link: func(t *testing.T, path, target string) {
					dir, name := folder(t, path)
					a.AddShortcut(dir, name, at(t, target))
				},
				Special: func(t *testing.T, path string) {
					dir, name := folder(t, path)
					a.AddDocument(dir, name)
				},
				Hide: func(t *testing.T) { a.Hide(a.Folder, true) },
				Deny: func(t *testing.T, path string) { a.CloseFolder(at(t, path)) },
			}
		},
		// Names travel as JSON, which holds Unicode only (RFC 8259, section 8.1).
		Holds: utf8.ValidString,
	}
}

func asItIs(f *cloud.Folder) replicatest.Store { return f }

func TestContractSharedDrive(t *testing.T) { replicatest.Run(t, harness(true, asItIs)) }

func TestContractOwnDrive(t *testing.T) { replicatest.Run(t, harness(false, asItIs)) }

// TestContractUnderFaulty shows that the wrapper changes nothing without faults.
func TestContractUnderFaulty(t *testing.T) {
	replicatest.Run(t, harness(true, func(f *cloud.Folder) replicatest.Store { return faulty.Wrap(f) }))
}
