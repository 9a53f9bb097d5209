package auth_test

import (
	"crypto/tls"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnwise/server/auth"
	"turnwise/server/auth/authtest"
)

func TestServerTLS(t *testing.T) {
	dir := t.TempDir()
	cert, key, ca := authtest.New(t).Files(dir)
	c, err := auth.ServerTLS(cert, key, ca)
	if err != nil {
		t.Fatal(err)
	}
	if c.MinVersion != tls.VersionTLS13 || c.ClientAuth != tls.RequireAndVerifyClientCert || !c.SessionTicketsDisabled {
		t.Errorf("TLS settings %x %v %v, want 1.3, verified certificates, no tickets", c.MinVersion, c.ClientAuth, c.SessionTicketsDisabled)
	}

	other := t.TempDir()
	_, otherKey, _ := authtest.New(t).Files(other)
	empty := filepath.Join(dir, "empty.pem")
	open := filepath.Join(dir, "open.key")
	b, err := os.ReadFile(key)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(empty, nil, 0o600), os.WriteFile(open, b, 0o644)); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "link.key")
	if err := os.Symlink(open, link); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ cert, key, ca, want string }{
		{"none.crt", key, ca, "no such file"},
		{cert, "none.key", ca, "no such file"},
		{cert, open, ca, "0644, 0600 is expected; run chmod 600"},
		{cert, link, ca, "0600 is expected"},
		{cert, otherKey, ca, "do not make a pair"},
		{cert, key, empty, "holds no PEM certificate"},
		{cert, key, "none.crt", "no such file"},
	} {
		if _, err := auth.ServerTLS(tt.cert, tt.key, tt.ca); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ServerTLS(%s, %s, %s) = %v, want an error with %q", tt.cert, tt.key, tt.ca, err, tt.want)
		}
	}
}

func TestOperatorNeedsAVerifiedCertificate(t *testing.T) {
	if who, err := auth.Operator(tls.ConnectionState{}); !errors.Is(err, auth.ErrIdentity) {
		t.Errorf("Operator = %q, %v, want ErrIdentity", who, err)
	}
}
