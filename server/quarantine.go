package main

import (
	"encoding/hex"
	"fmt"
	"log/slog"
	"os"
	"text/tabwriter"
	"time"

	"turnwise/server/host"
)

type quarantineCommand struct {
	List   listAsides  `cmd:"" help:"Show messages that could not be read and records that could not be applied, newest first."`
	Export exportAside `cmd:"" help:"Write the bytes of a message as it came to a new file, for whoever looks into it."`
}

type listAsides struct {
	configFlag
	Limit int  `default:"100" help:"How many at most, 1 to 10000."`
	JSON  bool `name:"json" help:"Print JSON, one object a line."`
}

type exportAside struct {
	configFlag
	Message int64  `arg:"" help:"Number of the message, as list shows it."`
	To      string `required:"" placeholder:"FILE" help:"File to write. It must not be there yet."`
}

// aside is one line of the list, for scripts.
type aside struct {
	Message  int64     `json:"message,omitempty"`
	Agent    string    `json:"agent"`
	Machine  string    `json:"machine,omitempty"`
	Topic    string    `json:"topic,omitempty"`
	Stream   string    `json:"stream,omitempty"`
	Record   uint64    `json:"record,omitempty"`
	Received time.Time `json:"received"`
	Bytes    int64     `json:"bytes"`
	Reason   string    `json:"reason"`
}

func (l *listAsides) Run(w *world) error {
	if l.Limit < 1 || l.Limit > 10_000 {
		return fmt.Errorf("%w: quarantine list: --limit is %d, 1 to 10000 is expected", errUsage, l.Limit)
	}
	c, _, err := host.LoadConfig(l.Config, w.environ)
	if err != nil {
		return err
	}
	list, err := host.Asides(w.ctx, c, l.Limit, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	t := tabwriter.NewWriter(w.out, 0, 8, 2, ' ', 0)
	if len(list) > 0 && !l.JSON {
		fmt.Fprintln(t, "RECEIVED\tAGENT\tWHAT\tBYTES\tREASON")
	}
	for _, a := range list {
		x := aside{Message: a.Message, Agent: a.Agent, Machine: a.Machine, Topic: a.Topic, Record: a.Seq, Received: a.Received, Bytes: a.Bytes, Reason: a.Reason}
		what := fmt.Sprintf("message %d on %s", a.Message, a.Topic)
		if a.Message == 0 {
			x.Stream = hex.EncodeToString(a.Stream[:])
			what = fmt.Sprintf("record %d of machine %s", a.Seq, a.Machine)
		}
		if l.JSON {
			if err := printLine(w.out, x); err != nil {
				return err
			}
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\n", a.Received.Format(time.RFC3339), a.Agent, what, a.Bytes, a.Reason)
	}
	if len(list) == 0 && !l.JSON {
		fmt.Fprintln(w.out, "nothing is kept aside")
	}
	return t.Flush()
}

func (e *exportAside) Run(w *world) error {
	if e.Message < 1 {
		return fmt.Errorf("%w: quarantine export: message %d: 1 and more is expected, as server quarantine list shows it", errUsage, e.Message)
	}
	c, _, err := host.LoadConfig(e.Config, w.environ)
	if err != nil {
		return err
	}
	payload, err := host.AsideMessage(w.ctx, c, e.Message, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	f, err := os.OpenFile(e.To, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("quarantine export to %s: %w; name a file that is not there yet", e.To, err)
	}
	if _, err = f.Write(payload); err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		_ = os.Remove(e.To)
		return fmt.Errorf("quarantine export to %s: %w", e.To, err)
	}
	fmt.Fprintf(w.out, "message %d: %d bytes in %s\n", e.Message, len(payload), e.To)
	return nil
}
