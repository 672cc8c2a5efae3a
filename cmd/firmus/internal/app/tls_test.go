package app_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/people"
	"firmus/fixity"
)

const passphrase = "seven reels below the stairs"

// certify writes a certificate of 127.0.0.1 with its key, and gives who trusts it.
func (w *world) certify(serial int64) *x509.CertPool {
	w.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(w.t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "a test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	must(w.t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	must(w.t, err)
	cert := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	w.put("tls/key.pem", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), time.Now())
	w.put("tls/cert.pem", cert, time.Now())
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(cert)
	return pool
}

// more adds lines to the configuration, whose last section is [web].
func (w *world) more(lines string) {
	w.t.Helper()
	text, err := os.ReadFile(w.path("firmus.toml"))
	must(w.t, err)
	w.put("firmus.toml", append(text, lines...), time.Now())
}

// account adds one for a reviewer.
func (w *world) account(name string) {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	must(w.t, people.Add(w.t.Context(), a.Ledger, time.Now(), name, passphrase, fixity.Reviewer, "a test"))
}

// browse is a browser that trusts a pool and keeps cookies.
func browse(t *testing.T, pool *x509.CertPool) *http.Client {
	jar, err := cookiejar.New(nil)
	must(t, err)
	return &http.Client{Jar: jar, Timeout: time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
}

// fetch is the status and the text of an address; 0 and the error if there is no answer.
func fetch(c *http.Client, address string) (int, string) {
	res, err := c.Get(address)
	if err != nil {
		return 0, err.Error()
	}
	defer res.Body.Close()
	b, _ := io.ReadAll(res.Body)
	return res.StatusCode, string(b)
}

// signIn signs Ada in, and holds what a browser is told against what TLS asks for.
func signIn(t *testing.T, c *http.Client, site string) {
	t.Helper()
	res, err := c.PostForm(site+"/sign-in", url.Values{"name": {"Ada Wren"}, "password": {passphrase}})
	must(t, err)
	res.Body.Close()
	got := res.Cookies()
	if res.StatusCode != http.StatusSeeOther || len(got) != 1 || !got[0].Secure || !got[0].HttpOnly {
		t.Fatalf("sign-in: %d, cookies %+v", res.StatusCode, got)
	}
	if res.Header.Get("Strict-Transport-Security") == "" {
		t.Error("a browser isn't told to keep to TLS")
	}
	if code, text := fetch(c, site+"/"); code != http.StatusOK || !strings.Contains(text, "Ada Wren") {
		t.Errorf("signed in: %d, %s", code, text)
	}
}

// The daemon serves pages by TLS, takes up a new certificate without a restart, and goes on
// with the one it has where the new one is none.
func TestPagesByTLS(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	pool := w.certify(1)
	w.more("certificate = \"tls/cert.pem\"\nkey = \"tls/key.pem\"\naddress = \"https://" + addr + "\"\n")
	w.account("Ada Wren")
	r := w.daemon(addr)
	site := "https://" + addr
	c := browse(t, pool)
	r.within(time.Minute, "it is ready", func() bool { code, _ := fetch(c, site+"/readyz"); return code == http.StatusOK })
	if code, _ := fetch(c, site+"/"); code != http.StatusSeeOther {
		t.Errorf("without a session: %d", code)
	}
	signIn(t, c, site)
	if code, text := fetch(http.DefaultClient, "http://"+addr+"/"); code != http.StatusBadRequest {
		t.Errorf("without TLS: %d, %s", code, text)
	}
	if l, err := tls.Dial("tcp", addr, &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}); err == nil {
		l.Close()
		t.Error("TLS 1.1 is spoken")
	}

	second := w.certify(2)
	if code, text := fetch(browse(t, second), site+"/readyz"); code != http.StatusOK {
		t.Errorf("with a new certificate: %d, %s", code, text)
	}
	if code, _ := fetch(c, site+"/readyz"); code != 0 {
		t.Error("the certificate of before is shown")
	}
	w.put("tls/cert.pem", []byte("half a certif"), time.Now())
	if code, text := fetch(browse(t, second), site+"/readyz"); code != http.StatusOK {
		t.Errorf("with half a certificate: %d, %s", code, text)
	}
}

// Behind a proxy that has the certificate, what is for this computer alone stays that.
func TestPagesBehindAProxy(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	proxy := httptest.NewTLSServer(&httputil.ReverseProxy{Rewrite: func(p *httputil.ProxyRequest) {
		p.SetURL(&url.URL{Scheme: "http", Host: addr})
		p.SetXForwarded()
		p.Out.Host = p.In.Host
	}})
	t.Cleanup(proxy.Close)
	w.more("proxies = [\"127.0.0.1\"]\naddress = \"" + proxy.URL + "\"\n")
	w.account("Ada Wren")
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	pool := x509.NewCertPool()
	pool.AddCert(proxy.Certificate())
	c := browse(t, pool)
	signIn(t, c, proxy.URL)
	for _, path := range []string{"/metrics", "/readyz", "/healthz"} {
		if code, _ := fetch(c, proxy.URL+path); code != http.StatusForbidden {
			t.Errorf("%s by the proxy: %d", path, code)
		}
		if code, _ := r.get(path); code != http.StatusOK {
			t.Errorf("%s on the computer itself: %d", path, code)
		}
	}
}
