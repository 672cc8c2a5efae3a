// Package mailtest is a mail server for tests, on this computer alone: it keeps what it takes.
package mailtest

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

// Server is a mail server in this process that keeps what it takes.
type Server struct {
	Addr string
	s    *smtp.Server

	mu       sync.Mutex
	mails    []Received
	Logins   []string
	User     string
	Password string
	OnRcpt   func(to string) error // nil takes everybody
	OnData   func() error          // nil takes everything
	Drop     bool                  // hangs up instead of answering DATA
}

// Received is a letter as one of those whom it is for gets it.
type Received struct {
	From, To string
	Secure   bool
	Data     []byte
}

// Parse reads its head, and gives its body to be read.
func (m Received) Parse(t testing.TB) *mail.Message {
	t.Helper()
	p, err := mail.ReadMessage(bytes.NewReader(m.Data))
	if err != nil {
		t.Fatalf("%v\n%s", err, m.Data)
	}
	return p
}

// Start starts one on loopback; config, if not nil, is for STARTTLS.
func Start(t testing.TB, config *tls.Config) *Server {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return Serve(t, ln, config)
}

// Serve starts one that takes connections from ln.
func Serve(t testing.TB, ln net.Listener, config *tls.Config) *Server {
	m := &Server{Addr: ln.Addr().String()}
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
		ln.Close() // the server closes it only if it had begun to serve
		<-done
	})
	return m
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// Got are the letters that were taken so far.
func (m *Server) Got() []Received {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]Received(nil), m.mails...)
}

// Set changes how the server behaves.
func (m *Server) Set(fn func(*Server)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	fn(m)
}

func (m *Server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, secure := c.TLSConnectionState()
	return &mailSession{m: m, c: c, secure: secure}, nil
}

type mailSession struct {
	m      *Server
	c      *smtp.Conn
	secure bool
	known  bool
	from   string
	to     []string
}

func (s *mailSession) AuthMechanisms() []string {
	if s.m.User == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *mailSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		s.m.mu.Lock()
		defer s.m.mu.Unlock()
		s.m.Logins = append(s.m.Logins, user)
		if user != s.m.User || password != s.m.Password {
			// As a careless server might.
			return &smtp.SMTPError{Code: 535, EnhancedCode: smtp.EnhancedCode{5, 7, 8}, Message: "no user " + user + " with password " + password}
		}
		s.known = true
		return nil
	}), nil
}

func (s *mailSession) Mail(from string, _ *smtp.MailOptions) error {
	if s.m.User != "" && !s.known {
		return smtp.ErrAuthRequired
	}
	s.from = from
	return nil
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.OnRcpt != nil {
		if err := s.m.OnRcpt(to); err != nil {
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
	if s.m.OnData != nil {
		if err := s.m.OnData(); err != nil {
			return err
		}
	}
	if s.m.Drop {
		s.c.Conn().Close()
		return errors.New("hung up")
	}
	for _, to := range s.to {
		s.m.mails = append(s.m.mails, Received{s.from, to, s.secure, b})
	}
	return nil
}

func (s *mailSession) Reset()        { s.from, s.to = "", nil }
func (s *mailSession) Logout() error { return nil }

// Certificate is one for names, signed by an authority of its own.
func Certificate(t testing.TB, names ...string) (*tls.Config, *x509.CertPool) {
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
