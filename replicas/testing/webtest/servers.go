package webtest

import (
	"crypto/sha1"
	"encoding/base64"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"testing"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// Rot turns a bit of a file that a server keeps, behind its back: the file's time stays.
func Rot(t testing.TB, path string, at int64) {
	t.Helper()
	fi, err := os.Stat(path)
	must(t, err)
	b, err := os.ReadFile(path)
	must(t, err)
	b[at] ^= 1
	must(t, os.WriteFile(path, b, 0o644))
	must(t, os.Chtimes(path, fi.ModTime(), fi.ModTime()))
}

// Apache starts Debian's web server with its DAV module, which lets a user list and read what
// lies in root, and do nothing else.
func Apache(t testing.TB, name, password string) (addr, root string) {
	t.Helper()
	program := Program(t, "apache2", "Debian's package apache2-bin")
	dir, err := os.MkdirTemp("", "firmus-apache")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	must(t, os.Chmod(dir, 0o755))
	addr, root = Port(t), filepath.Join(dir, "root")
	must(t, os.Mkdir(root, 0o755))
	sum := sha1.Sum([]byte(password))
	must(t, os.WriteFile(filepath.Join(dir, "users"), []byte(name+":{SHA}"+base64.StdEncoding.EncodeToString(sum[:])+"\n"), 0o644))
	var b strings.Builder
	for _, m := range strings.Fields("mpm_event authn_core authn_file authz_core authz_user auth_basic dav dav_fs") {
		fmt.Fprintf(&b, "LoadModule %s_module /usr/lib/apache2/modules/mod_%s.so\n", m, m)
	}
	fmt.Fprintf(&b, "ServerName x\nListen %s\nPidFile %s/pid\nErrorLog %s/log\n", addr, dir, dir)
	if u, err := user.Lookup("www-data"); os.Geteuid() == 0 && err == nil {
		fmt.Fprintf(&b, "User www-data\nGroup #%s\n", u.Gid)
	}
	fmt.Fprintf(&b, `DocumentRoot %s
DavLockDB %s/lock
AllowEncodedSlashes NoDecode
<Location />
Dav On
AuthType Basic
AuthName x
AuthUserFile %s/users
<Limit GET HEAD OPTIONS PROPFIND>
Require valid-user
</Limit>
<LimitExcept GET HEAD OPTIONS PROPFIND>
Require all denied
</LimitExcept>
</Location>
`, root, dir, dir)
	must(t, os.WriteFile(filepath.Join(dir, "conf"), []byte(b.String()), 0o644))
	Run(t, addr, program, "-f", filepath.Join(dir, "conf"), "-DFOREGROUND")
	return addr, root
}

// Gateway starts versitygw, an S3 server over folders: each in root is a bucket. It keeps
// versions of what is put there by S3.
func Gateway(t testing.TB, key, secret string) (addr, root string) {
	t.Helper()
	program := Program(t, "versitygw", "go build -modfile=.tools/servers.mod github.com/versity/versitygw/cmd/versitygw")
	dir := t.TempDir()
	addr, root = Port(t), filepath.Join(dir, "gw")
	must(t, os.Mkdir(root, 0o755))
	must(t, os.Mkdir(filepath.Join(dir, "versions"), 0o755))
	Run(t, addr, program, "--access", key, "--secret", secret, "--port", addr, "--quiet", "posix", "--versioning-dir", filepath.Join(dir, "versions"), root)
	return addr, root
}
