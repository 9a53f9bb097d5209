package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

// session is one run of a command against one server.
type session struct {
	world
	common *common
	zone   *time.Location
	conn   *grpc.ClientConn
}

func newSession(c *common, w world) (*session, error) {
	if c.JSON {
		c.Output = "json"
	}
	s := &session{world: w, common: c, zone: time.Local}
	if c.Zone != "" {
		zone, err := time.LoadLocation(c.Zone)
		if err != nil {
			return nil, usage("--zone %q is not a zone, expected for example Europe/Istanbul", c.Zone)
		}
		s.zone = zone
	}
	creds, err := c.credentials()
	if err != nil {
		return nil, err
	}
	s.conn, err = grpc.NewClient(c.Server, grpc.WithTransportCredentials(creds))
	if err != nil {
		return nil, usage("--server %q is not an address, expected HOST:PORT: %w", c.Server, err)
	}
	return s, nil
}

func (s *session) close() {
	if err := s.conn.Close(); err != nil {
		fmt.Fprintln(s.err, "planner: close the connection:", err)
	}
}

// credentials are plain on loopback, and TLS beyond it or when asked for.
func (c *common) credentials() (credentials.TransportCredentials, error) {
	host, _, err := net.SplitHostPort(c.Server)
	if err != nil {
		return nil, usage("--server %q is not an address, expected HOST:PORT", c.Server)
	}
	if c.CA == "" && c.Cert == "" && c.Key == "" && loopback(host) {
		return insecure.NewCredentials(), nil
	}
	conf := &tls.Config{MinVersion: tls.VersionTLS13}
	if c.CA != "" {
		pem, err := os.ReadFile(c.CA)
		if err != nil {
			return nil, usage("--ca: %w; name a file of certificates in PEM", err)
		}
		conf.RootCAs = x509.NewCertPool()
		if !conf.RootCAs.AppendCertsFromPEM(pem) {
			return nil, usage("--ca %s holds no certificate, expected PEM; name the file of whoever signed the server's certificate", c.CA)
		}
	}
	if (c.Cert == "") != (c.Key == "") {
		return nil, usage("--cert and --key belong together, only one was given; give both")
	}
	if c.Cert != "" {
		pair, err := tls.LoadX509KeyPair(c.Cert, c.Key)
		if err != nil {
			return nil, usage("--cert %s with --key %s: %w; name a certificate and its key in PEM", c.Cert, c.Key, err)
		}
		conf.Certificates = []tls.Certificate{pair}
	}
	return credentials.NewTLS(conf), nil
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// call bounds one question to the server.
func (s *session) call(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, s.common.Timeout)
}

func (s *session) machines() pb.MachineServiceClient { return pb.NewMachineServiceClient(s.conn) }
func (s *session) orders() pb.OrderServiceClient     { return pb.NewOrderServiceClient(s.conn) }
func (s *session) plans() pb.PlanServiceClient       { return pb.NewPlanServiceClient(s.conn) }
func (s *session) creels() pb.CreelServiceClient     { return pb.NewCreelServiceClient(s.conn) }
func (s *session) alarms() pb.AlarmServiceClient     { return pb.NewAlarmServiceClient(s.conn) }
func (s *session) agents() pb.AgentServiceClient     { return pb.NewAgentServiceClient(s.conn) }
func (s *session) upkeep() pb.UpkeepServiceClient    { return pb.NewUpkeepServiceClient(s.conn) }
func (s *session) books() pb.BookServiceClient       { return pb.NewBookServiceClient(s.conn) }

// explain turns the answer of a server into an error with an exit code.
func (s *session) explain(err error) error {
	if err == nil {
		return nil
	}
	st, ok := status.FromError(err)
	if !ok {
		return err
	}
	switch st.Code() {
	case codes.NotFound:
		return &exitError{exitNotFound, errors.New(notFound(st))}
	case codes.InvalidArgument:
		if len(fieldViolations(st)) > 0 {
			return &exitError{exitUsage, errors.New(st.Message())}
		}
		return &exitError{exitRefused, errors.New(st.Message())}
	case codes.FailedPrecondition, codes.AlreadyExists, codes.PermissionDenied, codes.Unauthenticated, codes.Aborted, codes.OutOfRange:
		return &exitError{exitRefused, errors.New(st.Message())}
	case codes.Unavailable:
		if strings.Contains(st.Message(), "looked like an HTTP/1") { // gRPC has no code for it
			return &exitError{exitUnreachable, fmt.Errorf("server %s answers as web pages or figures do, expected the API; give --server with the port of listen.grpc, which is 7443 unless it was changed", s.common.Server)}
		}
		return &exitError{exitUnreachable, fmt.Errorf("server %s: %s; start it with `server run`, or give --server HOST:PORT or TURNWISE_SERVER", s.common.Server, lastPart(st.Message()))}
	case codes.DeadlineExceeded:
		return &exitError{exitUnreachable, fmt.Errorf("server %s did not answer within %v; give a longer --timeout", s.common.Server, s.common.Timeout)}
	case codes.Unimplemented:
		return fmt.Errorf("server %s does not know this question: it is older than this planner", s.common.Server)
	}
	return errors.New(st.Message())
}

// listed is the command that lists the known names of a kind, as the server calls it.
var listed = map[string]string{"machine": "machines list", "order": "orders list", "lot": "yarn lots", "plan": "plan list"}

// notFound says what was not found, and of a name that is in no book where the known ones are.
func notFound(st *status.Status) string {
	message := strings.Replace(st.Message(), ": not found", "", 1) // the exit says it
	for _, d := range st.Details() {
		if r, ok := d.(*errdetails.ResourceInfo); ok && listed[r.GetResourceType()] != "" {
			return message + "; those that are known are in `planner " + listed[r.GetResourceType()] + "`"
		}
	}
	return message
}

// lastPart keeps the reason of a nested transport error.
func lastPart(message string) string {
	if i := strings.LastIndex(message, "desc = "); i >= 0 {
		message = message[i+len("desc = "):]
	}
	return strings.Trim(message, `"`)
}

func fieldViolations(st *status.Status) []*errdetails.BadRequest_FieldViolation {
	for _, d := range st.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()
		}
	}
	return nil
}

// clock writes a time for a table: shorter the nearer it is.
func (s *session) clock(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	t, now := t.In(s.zone), s.now().In(s.zone)
	switch d := t.Sub(now).Abs(); {
	case d < 20*time.Hour && t.YearDay() == now.YearDay():
		return t.Format("15:04")
	case d < 6*24*time.Hour:
		return t.Format("Mon 15:04")
	case d < 300*24*time.Hour:
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2006-01-02 15:04")
}

// ago writes how long something is.
func ago(d time.Duration) string {
	switch d = d.Abs(); {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f d", d.Hours()/24)
}
