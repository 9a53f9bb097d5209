package host

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"

	"turnwise/server/api"
	"turnwise/server/auth"
)

// Limits of the API.
const (
	maxMessage  = 4 << 20
	maxStreams  = 100 // of one connection
	maxHeaders  = 16 << 10
	callTimeout = 30 * time.Second // of a call that is no stream
)

// newGRPC makes the API server with health of every service, and reflection
// where only this host can ask.
func (h *Host) newGRPC() {
	opts := []grpc.ServerOption{
		grpc.MaxRecvMsgSize(maxMessage),
		grpc.MaxSendMsgSize(maxMessage),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.MaxHeaderListSize(maxHeaders),
		grpc.ConnectionTimeout(10 * time.Second),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 30 * time.Second, Timeout: 10 * time.Second}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.ChainUnaryInterceptor(h.unary),
		grpc.ChainStreamInterceptor(h.stream),
	}
	beyond := beyondLoopback(h.c.Listen.GRPC)
	if beyond {
		opts = append(opts, grpc.Creds(credentials.NewTLS(h.tls)))
	}
	h.grpc = grpc.NewServer(opts...)
	api.Register(h.grpc, h.floor, h.st, api.Options{Now: h.o.Now, Log: h.o.Log, Creel: h.told, Calls: h.calls, Upkeep: h.upkeep.tell})
	h.health = health.NewServer()
	for name := range h.grpc.GetServiceInfo() {
		h.health.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	h.health.SetServingStatus(ingestService, healthpb.HealthCheckResponse_SERVING)
	healthpb.RegisterHealthServer(h.grpc, h.health)
	if !beyond {
		reflection.Register(h.grpc)
	}
	h.open = append(h.open, func() error { h.grpc.Stop(); return nil })
}

// ingestService is the name under which health tells whether records of agents
// are taken.
const ingestService = "turnwise.ingest"

func (h *Host) tellIngest(taken bool) {
	if h.health == nil {
		return // grpc is off
	}
	st := healthpb.HealthCheckResponse_SERVING
	if !taken {
		st = healthpb.HealthCheckResponse_NOT_SERVING
	}
	h.health.SetServingStatus(ingestService, st)
}

// runGRPC serves until ctx ends. Streams of changes have no end of their own;
// they are cut after the goodbye.
func (h *Host) runGRPC(ctx context.Context) error {
	conns := &cuttable{Listener: h.grpcL, open: make(map[net.Conn]struct{})}
	ended := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(ended)
		h.health.Shutdown()
		// The library waits for connections that have not finished their
		// greeting, however it is stopped.
		cut := time.AfterFunc(goodbye, conns.cut)
		defer cut.Stop()
		h.grpc.GracefulStop()
	})
	err := h.grpc.Serve(conns)
	if !stop() {
		<-ended
	}
	return err
}

// allowed refuses the certificates of agents where there are certificates.
func (h *Host) allowed(ctx context.Context, method string) error {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return status.Error(codes.Unauthenticated, "no peer")
	}
	info, ok := p.AuthInfo.(credentials.TLSInfo)
	if !ok {
		return nil // loopback
	}
	who, err := auth.Operator(info.State)
	if err != nil {
		h.o.Log.Warn("call refused", "method", method, "remote", p.Addr.String(), "error", err)
		return status.Errorf(codes.PermissionDenied, "%v; use a certificate with organizational unit %s", err, auth.OperatorUnit)
	}
	h.o.Log.Debug("call", "method", method, "operator", who)
	return nil
}

func (h *Host) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (_ any, err error) {
	if err := h.allowed(ctx, info.FullMethod); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, callTimeout)
	defer cancel()
	defer noPanic(h.o.Log, info.FullMethod, &err)
	return next(ctx, req)
}

func (h *Host) stream(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
	if err := h.allowed(s.Context(), info.FullMethod); err != nil {
		return err
	}
	defer noPanic(h.o.Log, info.FullMethod, &err)
	return next(srv, s)
}

// noPanic keeps a fault in one call from ending the server, whose first duty
// is to take in counts.
func noPanic(log *slog.Logger, method string, err *error) {
	if p := recover(); p != nil {
		log.Error("panic in a call", "method", method, "panic", p, "stack", string(debug.Stack()))
		*err = status.Error(codes.Internal, "internal error")
	}
}

// cuttable is a listener whose connections can all be cut.
type cuttable struct {
	net.Listener
	mu   sync.Mutex
	over bool
	open map[net.Conn]struct{}
}

// Accept waits for a connection and remembers it until it is closed.
func (l *cuttable) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.over {
		return nil, errors.Join(net.ErrClosed, c.Close())
	}
	l.open[c] = struct{}{}
	return &cutConn{Conn: c, l: l}, nil
}

func (l *cuttable) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.over = true
	for c := range l.open {
		_ = c.Close()
	}
}

type cutConn struct {
	net.Conn
	l *cuttable
}

func (c *cutConn) Close() error {
	c.l.mu.Lock()
	delete(c.l.open, c.Conn)
	c.l.mu.Unlock()
	return c.Conn.Close()
}
