// Package auth says who is at the other end of a connection that comes from
// beyond this host: TLS 1.3 with a client certificate of the mill's own
// authority, always. It knows no passwords and signs nothing; certificates are
// made elsewhere. An agent's certificate carries the agent id as its common
// name; a certificate for people and tools carries the organizational unit
// [OperatorUnit], so that an agent's certificate opens no book.
package auth

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

// OperatorUnit is the organizational unit in the certificates of people and
// tools that may call the API.
const OperatorUnit = "turnwise-operator"

// maxFile bounds a certificate or key file.
const maxFile = 1 << 20

// ErrIdentity is inside every error about who somebody is.
var ErrIdentity = errors.New("identity not accepted")

// ServerTLS reads the server's certificate and key and the authority that
// signs the certificates of agents and people.
func ServerTLS(certFile, keyFile, clientCAFile string) (*tls.Config, error) {
	cert, err := read(certFile)
	if err != nil {
		return nil, fmt.Errorf("tls.cert_file: %w", err)
	}
	key, err := ReadSecret(keyFile)
	if err != nil {
		return nil, fmt.Errorf("tls.key_file: %w", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("tls.cert_file %s and tls.key_file %s do not make a pair: %w; give the certificate and its own key, both PEM", certFile, keyFile, err)
	}
	ca, err := read(clientCAFile)
	if err != nil {
		return nil, fmt.Errorf("tls.client_ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(ca) {
		return nil, fmt.Errorf("tls.client_ca_file: %s holds no PEM certificate; give the certificate of the authority that signs agents", clientCAFile)
	}
	return &tls.Config{
		Certificates: []tls.Certificate{pair},
		ClientAuth:   tls.RequireAndVerifyClientCert,
		ClientCAs:    pool,
		MinVersion:   tls.VersionTLS13,
		// A resumed session would not be checked against the clock again.
		SessionTicketsDisabled: true,
	}, nil
}

// ReadSecret reads a file that only its owner may read. The file that was
// checked is the file that is read, whatever happens to its name.
func ReadSecret(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if m := st.Mode().Perm(); m&0o077 != 0 {
		return nil, fmt.Errorf("%s can be read by others: its mode is %#o, 0600 is expected; run chmod 600 %s", name, m, name)
	}
	return bounded(f, name)
}

func read(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return bounded(f, name)
}

func bounded(f *os.File, name string) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, err
	}
	if len(b) > maxFile {
		return nil, fmt.Errorf("%s has more than %d bytes; a PEM file is expected", name, maxFile)
	}
	return b, nil
}

// Operator tells whether a verified connection is that of a person or tool,
// and its name. Errors are [ErrIdentity].
func Operator(s tls.ConnectionState) (string, error) {
	if len(s.VerifiedChains) == 0 {
		return "", fmt.Errorf("%w: no verified client certificate", ErrIdentity)
	}
	who := s.PeerCertificates[0].Subject
	if !slices.Contains(who.OrganizationalUnit, OperatorUnit) {
		return "", fmt.Errorf("%w: the certificate of %q has no organizational unit %s, agents may not call the API", ErrIdentity, who.CommonName, OperatorUnit)
	}
	return who.CommonName, nil
}
