package broker

import (
	"crypto/tls"
	"crypto/x509"
	"testing"
	"time"

	"turnwise/server/auth"
	"turnwise/server/auth/authtest"
)

func TestTLSIdentity(t *testing.T) {
	ca := authtest.New(t)
	conf, err := auth.ServerTLS(ca.Files(t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	b, _ := start(t, Options{TLS: conf})
	own := ca.Client("u-01", nil, nil)
	tests := []struct {
		name string
		cert *tls.Certificate
		max  uint16
		id   string
		in   bool
	}{
		{"own id", &own, 0, "u-01", true},
		{"id of another", &own, 0, "u-02", false},
		{"no certificate", nil, 0, "u-01", false},
		{"TLS 1.2", &own, tls.VersionTLS12, "u-01", false},
		{"another authority", ptr(authtest.New(t).Client("u-01", nil, nil)), 0, "u-01", false},
		{"expired", ptr(ca.Client("u-01", nil, func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = time.Now().Add(-2*time.Hour), time.Now().Add(-time.Hour)
		})), 0, "u-01", false},
		{"certificate of a server", ptr(ca.Client("u-01", nil, func(c *x509.Certificate) {
			c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
		})), 0, "u-01", false},
		{"no name", ptr(ca.Client("", nil, nil)), 0, "u-01", false},
		{"DNS name only", ptr(ca.Client("", nil, func(c *x509.Certificate) { c.DNSNames = []string{"u-01"} })), 0, "u-01", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := &tls.Config{RootCAs: ca.Pool(), ServerName: "127.0.0.1", MaxVersion: tt.max}
			if tt.cert != nil {
				c.Certificates = []tls.Certificate{*tt.cert}
			}
			conn, err := tls.Dial("tcp", b.Addr(), c)
			if err != nil {
				if tt.in {
					t.Fatal(err)
				}
				return
			}
			defer conn.Close()
			// In TLS 1.3 the client learns of a refusal at its first read.
			_, _ = conn.Write(connect(tt.id, "", nil))
			_ = conn.SetReadDeadline(time.Now().Add(patience))
			ack := make([]byte, 4)
			n, _ := conn.Read(ack)
			if in := n == 4 && ack[3] == 0; in != tt.in {
				t.Errorf("read % x, let in: %v, want %v", ack[:n], in, tt.in)
			}
		})
	}
}

func TestTLSHandshakeHasADeadline(t *testing.T) {
	conf, err := auth.ServerTLS(authtest.New(t).Files(t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	b, _ := start(t, Options{TLS: conf, ConnectWait: 100 * time.Millisecond})
	r := dial(t, b)
	r.send(0x16, 3, 1, 2, 0) // half a hello
	r.closed()
}

func TestTLSWithoutClientCertificatesIsRefused(t *testing.T) {
	if b, err := New(Options{Listen: "127.0.0.1:0", Site: site, TLS: &tls.Config{}}); err == nil {
		t.Errorf("New = %v, want an error", b)
	}
}

func ptr[T any](v T) *T { return &v }
