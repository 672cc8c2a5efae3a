package setup

import (
	"encoding/json"
	"net/url"
	"strings"

	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/expr"
	"firmus/replicas/cloud/wire"
	"firmus/replicas/loopback"
)

// cloudFolder is what an address says of a folder in the cloud.
type cloudFolder struct {
	service string
	lines   []setting // of the configuration
	key     string    // usual name of the credential's file
	ask     string    // for that file
}

type setting struct{ key, value, comment string }

const ownSubFolders = "holds one sub-folder for each set, named like the set"

// inBrowser is the path of a Drive folder's page: its last part is the folder's id.
var inBrowser = expr.Once(`/drive/(.*/)?folders/[^/]+/?$`)

// inHost is the region in a host's name, as services write it that have some.
var inHost = expr.Once(`^s3\.([a-z]+(?:-[a-z]+)*-[0-9]+)\.[^.]+\.[^.]+`)

// cloudOf tells the service by the address that a person gives: of a bucket, of WebDAV, or
// as a browser shows a folder.
func cloudOf(address string) cloudFolder {
	text := address
	if strings.HasPrefix(text, "s3://") { // it has no query and no fragment: these are parts of names
		text = strings.NewReplacer("#", "%23", "?", "%3F").Replace(text)
	}
	u, err := url.Parse(text)
	web := err == nil && u.Host != "" && (u.Scheme == "https" || u.Scheme == "http")
	switch {
	case err == nil && u.Scheme == "s3" && u.Host != "":
		scheme := "https://"
		if loopback.Host(u.Hostname()) {
			scheme = "http://" // on this computer
		}
		bucket, folder, _ := strings.Cut(strings.Trim(u.Path, "/"), "/")
		f := cloudFolder{config.S3, []setting{{"service", config.S3, ""}, {"endpoint", scheme + u.Host, ""}, {"bucket", bucket, ""}},
			"s3-key", "Which file holds the key, as lines aws_access_key_id = … and aws_secret_access_key = …?"}
		if m := inHost().FindStringSubmatch(u.Hostname()); m != nil {
			f.lines = append(f.lines, setting{"region", m[1], "as the service calls it"})
		}
		if folder != "" {
			f.lines = append(f.lines, setting{"folder", folder, ownSubFolders})
		}
		return f
	case web && !inBrowser().MatchString(u.Path) && !strings.HasSuffix(u.Hostname(), ".google.com"):
		return cloudFolder{config.WebDAV, []setting{{"service", config.WebDAV, ""}, {"endpoint", address, ownSubFolders}},
			"webdav-login", "Which file holds user and password, as lines user = … and password = …?"}
	}
	id := address
	if _, after, ok := strings.Cut(address, "/folders/"); ok {
		id, _, _ = strings.Cut(after, "?")
		id = strings.Trim(id, "/")
	}
	return cloudFolder{config.Drive, []setting{{"service", config.Drive, ""}, {"folder", id, ownSubFolders}},
		"drive-key.json", "Which file is the key of the account that may read it?"}
}

// NoKey is what is wrong with a file as the key to a folder in the cloud, "" if it looks like
// one.
func NoKey(address string, text []byte) string {
	switch cloudOf(address).service {
	case config.S3:
		_, wrong := wire.PairsIn(text, []string{"aws_access_key_id", "aws_secret_access_key"}, "aws_session_token")
		return wrong
	case config.WebDAV:
		_, wrong := wire.PairsIn(text, []string{"user", "password"})
		return wrong
	}
	var k struct {
		Email string `json:"client_email"`
		Key   string `json:"private_key"`
	}
	if json.Unmarshal(text, &k) != nil || k.Key == "" || k.Email == "" {
		return "is no key of a service account: such a file is JSON, and names the account's address as client_email"
	}
	return ""
}
