package edge

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"os"
	"strings"
)

// secrets are what the configuration only names.
type secrets struct {
	tls      *tls.Config
	password string
}

func readSecrets(m MQTT) (s secrets, err error) {
	if m.PasswordFile != "" {
		b, err := readSecret("mqtt.password_file", m.PasswordFile)
		if err != nil {
			return s, err
		}
		s.password = strings.TrimRight(string(b), "\r\n")
	}
	if !strings.HasPrefix(m.URL, "mqtts://") {
		return s, nil
	}
	s.tls = &tls.Config{MinVersion: tls.VersionTLS13}
	if m.CAFile != "" {
		pem, err := readBounded("mqtt.ca_file", m.CAFile)
		if err != nil {
			return s, err
		}
		s.tls.RootCAs = x509.NewCertPool()
		if !s.tls.RootCAs.AppendCertsFromPEM(pem) {
			return s, fmt.Errorf("%w: mqtt.ca_file: %s holds no certificate, PEM is expected; name the certificate of whoever signed the broker's", ErrConfig, m.CAFile)
		}
	}
	if m.ClientCertFile != "" {
		cert, err := readBounded("mqtt.client_cert_file", m.ClientCertFile)
		if err != nil {
			return s, err
		}
		key, err := readSecret("mqtt.client_key_file", m.ClientKeyFile)
		if err != nil {
			return s, err
		}
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			return s, fmt.Errorf("%w: mqtt: %s and %s are no pair of certificate and key: %w; name a certificate and its key in PEM", ErrConfig, m.ClientCertFile, m.ClientKeyFile, err)
		}
		s.tls.Certificates = []tls.Certificate{pair}
	}
	return s, nil
}

// maxSecret bounds certificate, key and password files.
const maxSecret = 256 << 10

const repairSecret = "name the right file, and let the agent's user read it"

// readSecret reads a file that only its owner may read.
func readSecret(key, file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w; %s", ErrConfig, key, err, repairSecret)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrConfig, key, err)
	}
	if !ownerOnly(st.Mode()) {
		return nil, fmt.Errorf("%w: %s: %s has mode %04o, others may read or write it; 0600 expected: chmod 600 %s", ErrConfig, key, file, st.Mode().Perm(), file)
	}
	return readAll(key, file, f)
}

func readBounded(key, file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w; %s", ErrConfig, key, err, repairSecret)
	}
	defer f.Close()
	return readAll(key, file, f)
}

func readAll(key, file string, r io.Reader) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, maxSecret+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %s: %w; %s", ErrConfig, key, err, repairSecret)
	case len(b) > maxSecret:
		return nil, fmt.Errorf("%w: %s: %s is larger than %d bytes; %s", ErrConfig, key, file, maxSecret, repairSecret)
	case len(bytes.TrimSpace(b)) == 0:
		return nil, fmt.Errorf("%w: %s: %s is empty; %s", ErrConfig, key, file, repairSecret)
	}
	return b, nil
}
