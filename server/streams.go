package main

import (
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"text/tabwriter"

	"turnwise/server/host"
	"turnwise/server/store"
)

type streamsCommand struct {
	List    listStreams   `cmd:"" help:"Show the streams that take nothing more, and why."`
	Release releaseStream `cmd:"" help:"Let a frozen stream go on, after the second copy of its journal is gone."`
}

type listStreams struct{ configFlag }

type releaseStream struct {
	configFlag
	Stream string `arg:"" help:"Stream, as list shows it."`
}

func (l *listStreams) Run(w *world) error {
	c, _, err := host.LoadConfig(l.Config, w.environ)
	if err != nil {
		return err
	}
	list, err := host.FrozenStreams(w.ctx, c, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	if len(list) == 0 {
		fmt.Fprintln(w.out, "no stream is frozen")
		return nil
	}
	t := tabwriter.NewWriter(w.out, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "STREAM\tAGENT\tMACHINE\tRECORDS\tCAN BE RELEASED\tREASON")
	for _, s := range list {
		can := "yes"
		if s.HandedOver {
			can = "no"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\t%s\n", hex.EncodeToString(s.Stream[:]), s.Agent, s.Machine, s.Acked, can, s.Reason)
	}
	return t.Flush()
}

func (r *releaseStream) Run(w *world) error {
	c, _, err := host.LoadConfig(r.Config, w.environ)
	if err != nil {
		return err
	}
	if err := host.ReleaseStream(w.ctx, c, r.Stream, slog.New(slog.DiscardHandler)); errors.Is(err, store.ErrInvalid) {
		return fmt.Errorf("%w: %w", errUsage, err)
	} else if err != nil {
		return err
	}
	fmt.Fprintf(w.out, "stream %s goes on with the agent that sends next; one that has given up is started again\n", r.Stream)
	return nil
}
