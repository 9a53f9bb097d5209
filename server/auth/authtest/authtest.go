// Package authtest makes certificate authorities and certificates for tests.
// Nothing it makes is fit for a mill: keys live for one test.
package authtest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// CA signs certificates of one test.
type CA struct {
	t    testing.TB
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// New makes an authority.
func New(t testing.TB) *CA {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &CA{t: t, cert: cert, key: key}
}

// Pool holds the authority alone.
func (ca *CA) Pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(ca.cert)
	return p
}

// Server makes a certificate for 127.0.0.1.
func (ca *CA) Server() tls.Certificate {
	return ca.sign(&x509.Certificate{
		Subject: pkix.Name{CommonName: "turnwise server"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	})
}

// Client makes a certificate for an agent, or with units for people; change
// may bend it.
func (ca *CA) Client(name string, units []string, change func(*x509.Certificate)) tls.Certificate {
	tmpl := &x509.Certificate{
		Subject:     pkix.Name{CommonName: name, OrganizationalUnit: units},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	if change != nil {
		change(tmpl)
	}
	return ca.sign(tmpl)
}

func (ca *CA) sign(tmpl *x509.Certificate) tls.Certificate {
	ca.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		ca.t.Fatal(err)
	}
	tmpl.SerialNumber = big.NewInt(time.Now().UnixNano())
	if tmpl.NotAfter.IsZero() {
		tmpl.NotBefore, tmpl.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	}
	tmpl.KeyUsage = x509.KeyUsageDigitalSignature
	der, err := x509.CreateCertificate(rand.Reader, tmpl, ca.cert, &key.PublicKey, ca.key)
	if err != nil {
		ca.t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// Files writes a server's certificate, its key and the authority into a
// folder, as a mill would have them.
func (ca *CA) Files(dir string) (cert, key, authority string) {
	ca.t.Helper()
	pair := ca.Server()
	der, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	if err != nil {
		ca.t.Fatal(err)
	}
	write := func(name, kind string, der []byte) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			ca.t.Fatal(err)
		}
		return file
	}
	return write("server.crt", "CERTIFICATE", pair.Certificate[0]), write("server.key", "PRIVATE KEY", der), write("ca.crt", "CERTIFICATE", ca.cert.Raw)
}
