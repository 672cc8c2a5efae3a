package letters_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"math/big"
	"net"
	"net/mail"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// mailServer is a mail server in this process that keeps what it takes.
type mailServer struct {
	addr string
	s    *smtp.Server

	mu       sync.Mutex
	mails    []received
	logins   []string
	user     string
	password string
	onRcpt   func(to string) error // nil takes everybody
	onData   func() error          // nil takes everything
	drop     bool                  // hangs up instead of answering DATA
}

type received struct {
	from, to string
	secure   bool
	data     []byte
}

func (m received) parse(t *testing.T) *mail.Message {
	t.Helper()
	p, err := mail.ReadMessage(bytes.NewReader(m.data))
	if err != nil {
		t.Fatalf("%v\n%s", err, m.data)
	}
	return p
}

// startServer starts one on loopback; config, if not nil, is for STARTTLS.
func startServer(t *testing.T, config *tls.Config) *mailServer {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return serve(t, ln, config)
}

func serve(t *testing.T, ln net.Listener, config *tls.Config) *mailServer {
	m := &mailServer{addr: ln.Addr().String()}
	m.s = smtp.NewServer(m)
	m.s.Domain, m.s.TLSConfig = "mail.quillmere.example", config
	m.s.ReadTimeout, m.s.WriteTimeout = 10*time.Second, 10*time.Second
	m.s.ErrorLog = quiet{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		m.s.Serve(ln)
	}()
	t.Cleanup(func() {
		m.s.Close()
		<-done
	})
	return m
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

func (m *mailServer) got() []received {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]received(nil), m.mails...)
}

// set changes how the server behaves.
func (m *mailServer) set(fn func(*mailServer)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	fn(m)
}

func (m *mailServer) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, secure := c.TLSConnectionState()
	return &mailSession{m: m, c: c, secure: secure}, nil
}

type mailSession struct {
	m      *mailServer
	c      *smtp.Conn
	secure bool
	known  bool
	from   string
	to     []string
}

func (s *mailSession) AuthMechanisms() []string {
	if s.m.user == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *mailSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		s.m.mu.Lock()
		defer s.m.mu.Unlock()
		s.m.logins = append(s.m.logins, user)
		if user != s.m.user || password != s.m.password {
			// As a careless server might.
			return &smtp.SMTPError{Code: 535, EnhancedCode: smtp.EnhancedCode{5, 7, 8}, Message: "no user " + user + " with password " + password}
		}
		s.known = true
		return nil
	}), nil
}

func (s *mailSession) Mail(from string, _ *smtp.MailOptions) error {
	if s.m.user != "" && !s.known {
		return smtp.ErrAuthRequired
	}
	s.from = from
	return nil
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.onRcpt != nil {
		if err := s.m.onRcpt(to); err != nil {
			return err
		}
	}
	s.to = append(s.to, to)
	return nil
}

func (s *mailSession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.onData != nil {
		if err := s.m.onData(); err != nil {
			return err
		}
	}
	if s.m.drop {
		s.c.Conn().Close()
		return errors.New("hung up")
	}
	for _, to := range s.to {
		s.m.mails = append(s.m.mails, received{s.from, to, s.secure, b})
	}
	return nil
}

func (s *mailSession) Reset()        { s.from, s.to = "", nil }
func (s *mailSession) Logout() error { return nil }

// certificate is one for names, signed by an authority of its own.
func certificate(t *testing.T, names ...string) (*tls.Config, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Quillmere test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, pool
}
