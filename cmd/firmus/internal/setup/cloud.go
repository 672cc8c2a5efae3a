package setup

import (
	"encoding/json"
	"net/url"
	"regexp"
	"strings"

	"firmus/cmd/firmus/internal/config"
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
var inBrowser = regexp.MustCompile(`/drive/(.*/)?folders/[^/]+/?$`)

// cloudOf tells the service by the address that a person gives: of a bucket, of WebDAV, or
// as a browser shows a folder.
func cloudOf(address string) cloudFolder {
	u, err := url.Parse(address)
	web := err == nil && u.Host != "" && (u.Scheme == "https" || u.Scheme == "http")
	switch {
	case err == nil && u.Scheme == "s3" && u.Host != "":
		scheme := "https://"
		if h := u.Hostname(); h == "localhost" || strings.HasPrefix(h, "127.") || h == "::1" {
			scheme = "http://" // on this computer
		}
		bucket, folder, _ := strings.Cut(strings.Trim(u.Path, "/"), "/")
		f := cloudFolder{config.S3, []setting{{"service", config.S3, ""}, {"endpoint", scheme + u.Host, ""}, {"bucket", bucket, ""}},
			"s3-key", "Which file holds the key, as lines aws_access_key_id = … and aws_secret_access_key = …?"}
		if folder != "" {
			f.lines = append(f.lines, setting{"folder", folder, ownSubFolders})
		}
		return f
	case web && !inBrowser.MatchString(u.Path) && !strings.HasSuffix(u.Hostname(), ".google.com"):
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
		return lackingLine(text, "aws_access_key_id", "aws_secret_access_key")
	case config.WebDAV:
		return lackingLine(text, "user", "password")
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

// lackingLine is what is wrong with a text that should have lines KEY = VALUE.
func lackingLine(text []byte, keys ...string) string {
	has := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(line, "=")
		has[strings.TrimSpace(key)] = strings.TrimSpace(value) != ""
	}
	for _, key := range keys {
		if !has[key] {
			return "lacks a line " + key + " = …"
		}
	}
	return ""
}
