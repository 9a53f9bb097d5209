package host

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"syscall"
	"time"

	"turnwise/server/broker"
)

// listen opens every address that is not off.
func (h *Host) listen() (err error) {
	l := h.c.Listen
	if l.MQTT != Off {
		o := broker.Options{
			Listen: l.MQTT, Site: h.c.Site.ID, Lamps: h.c.Push.TowerLampTopic, Batch: h.submit, State: h.live, Malformed: h.malformed, Log: h.o.Log,
		}
		if beyondLoopback(l.MQTT) {
			o.TLS = h.tls
		}
		if h.broker, err = broker.New(o); err != nil {
			return listenError("mqtt", l.MQTT, err)
		}
		h.open = append(h.open, h.broker.Close)
		if err := h.tellState(true); err != nil {
			return err
		}
	}
	if h.grpcL, err = h.listenTCP("grpc", l.GRPC); err != nil {
		return err
	}
	if h.grpcL != nil {
		h.newGRPC()
	}
	if h.httpL, err = h.listenTCP("http", l.HTTP); err != nil {
		return err
	}
	if h.httpL != nil {
		if h.pages, err = h.newPages(); err != nil {
			return err
		}
	}
	if h.metricsL, err = h.listenTCP("metrics", l.Metrics); err != nil {
		return err
	}
	if h.metricsL != nil {
		h.metrics = newHTTP(h.counts.handler(), h.o.Log)
	}
	return nil
}

func (h *Host) listenTCP(key, addr string) (net.Listener, error) {
	if addr == Off {
		return nil, nil
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, listenError(key, addr, err)
	}
	h.open = append(h.open, func() error {
		if err := l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
			return fmt.Errorf("host: close listen.%s: %w", key, err)
		}
		return nil
	})
	return l, nil
}

// listenError names the key, the address and the repair.
func listenError(key, addr string, err error) error {
	env := "TURNWISE_LISTEN__" + map[string]string{"grpc": "GRPC", "http": "HTTP", "mqtt": "MQTT", "metrics": "METRICS"}[key]
	repair := "correct listen." + key
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		repair = fmt.Sprintf("another program, perhaps another server, has this port: end it, or choose another port in listen.%s or %s (port 0 takes a free one, off turns it off)", key, env)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		repair = fmt.Sprintf("this host has no such address: choose one of its own in listen.%s or %s", key, env)
	case errors.Is(err, fs.ErrPermission):
		repair = fmt.Sprintf("ports below 1024 need a right that the server should not have: choose a higher port in listen.%s or %s", key, env)
	}
	return fmt.Errorf("host: listen.%s %s: %w; %s", key, addr, err, repair)
}

// newHTTP bounds what a caller can hold.
func newHTTP(handler http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           http.MaxBytesHandler(handler, 1<<20),
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
}

// runHTTP serves until ctx ends; the requests see its end too, so that
// streams of changes close.
func runHTTP(ctx context.Context, s *http.Server, l net.Listener) error {
	s.BaseContext = func(net.Listener) context.Context { return ctx }
	ended := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(ended)
		polite, cancel := context.WithTimeout(context.WithoutCancel(ctx), goodbye)
		defer cancel()
		if s.Shutdown(polite) != nil {
			_ = s.Close()
		}
	})
	err := s.Serve(l)
	if !stop() {
		<-ended
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}
