// Command agent reads the turn counters and stop inputs of circular knitting
// machines and brings them to the server. It only reads.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"runtime/pprof"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/alecthomas/kong"

	"turnwise/agent/edge"
	"turnwise/agent/source/modbus"
	"turnwise/proto/conf"
)

// version is set by the linker for a release.
var version = ""

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // a second signal ends at once
	os.Exit(run(ctx, os.Args[1:], os.Environ(), os.Stdout, os.Stderr))
}

// endWithin is how long the end may take; a disk that hangs must not hold the
// service manager.
const endWithin = 4 * time.Second

// Exit codes.
const (
	exitOK = iota
	exitFailed
	exitUsage
	exitNotReachable = 5
)

type commands struct {
	Run   runCommand   `cmd:"" help:"Run the agent in the foreground until SIGTERM."`
	Check checkCommand `cmd:"" help:"Check the configuration and read every input once."`
	Probe probeCommand `cmd:"" help:"Look twice at a range of Modbus addresses and mark those that count. Example: agent probe modbus://192.0.2.5:502?unit=1 --scan 0-99"`
	Count countCommand `cmd:"" help:"Count while the machine is turned by hand. Example: agent count -c agent.yaml --machine k13 --for 10rev"`
	Learn struct {
		Lamp lampCommand `cmd:"" help:"Watch the stop inputs and propose their hold times."`
	} `cmd:"" help:"Learn how a machine behaves."`
	Journal struct {
		Status statusCommand `cmd:"" help:"Show what the journal holds."`
		Verify verifyCommand `cmd:"" help:"Check every record of the journal."`
		Export exportCommand `cmd:"" help:"Print every record of the journal as JSON lines."`
	} `cmd:"" help:"Look into the journal; the agent may go on running."`
	Config struct {
		Show showCommand `cmd:"" help:"Print every value with its origin."`
	} `cmd:"" help:"Look at the configuration."`
	Version kong.VersionFlag `help:"Print the version and exit."`
}

type configFlag struct {
	Config string `short:"c" placeholder:"FILE" help:"Configuration file (agent.yaml). TURNWISE_A__B=value overrides the key a.b."`
}

// world is what a command may touch.
type world struct {
	ctx         context.Context
	environ     []string
	out, errOut io.Writer
}

// run is the program without the process.
func run(ctx context.Context, args, environ []string, out, errOut io.Writer) int {
	var c commands
	exit := -1
	parser := kong.Must(&c, kong.Name("agent"), kong.Description("The Turnwise agent: reads machines, keeps what they counted, sends it to the server. It only reads."),
		kong.Vars{"version": versionText()}, kong.Writers(out, errOut), kong.Exit(func(code int) { exit = code }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err := conf.CheckArgs(args); err != nil {
		fmt.Fprintf(errOut, "agent: %v\n", err)
		return exitUsage
	}
	k, err := parser.Parse(args)
	if exit >= 0 { // --help, --version
		return exit
	}
	if err != nil {
		fmt.Fprintf(errOut, "agent: %s; see agent --help\n", conf.ArgWords(err))
		return exitUsage
	}
	if err := k.Run(&world{ctx, environ, out, errOut}); err != nil {
		if !errors.Is(err, errSaid) {
			text := err.Error()
			if !strings.HasPrefix(text, "agent ") { // as "agent configuration: " does
				text = "agent: " + text
			}
			fmt.Fprintln(errOut, text)
		}
		return exitCode(err)
	}
	return exitOK
}

// errSaid ends a command whose output has told the fault already.
var errSaid = errors.New("see above")

// errUsage is inside errors about arguments.
var errUsage = errors.New("wrong use")

func exitCode(err error) int {
	switch {
	case errors.Is(err, errUsage):
		return exitUsage
	case errors.Is(err, modbus.ErrUnreachable), errors.Is(err, modbus.ErrTimeout):
		return exitNotReachable
	}
	return exitFailed
}

func versionText() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return s.Value[:12]
		}
	}
	return info.Main.Version
}

type runCommand struct {
	configFlag
	LogLevel string `enum:"debug,info,warn,error" default:"info" help:"Least level of the log on standard error: ${enum}."`
}

func (c *runCommand) Run(w *world) error {
	conf, _, err := edge.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.LogLevel)); err != nil {
		return fmt.Errorf("%w: --log-level: %w", errUsage, err)
	}
	log := slog.New(slog.NewTextHandler(w.errOut, &slog.HandlerOptions{Level: level}))
	a, err := edge.New(conf, edge.Options{Log: log, Version: versionText()})
	if err != nil {
		return err
	}
	manager, err := newManager(w.environ)
	if err != nil {
		log.Warn("service manager not told", "error", err)
	}
	log.Info("agent runs", "version", versionText(), "site", conf.Site, "agent", conf.Agent, "machines", len(conf.Machines))
	done := make(chan error, 1)
	go func() { done <- a.Run(w.ctx) }()
	told := make(chan struct{})
	go func() {
		defer close(told)
		manager.tell(w.ctx, a, log)
	}()
	err = await(w.ctx, done, w.errOut)
	if err == nil {
		<-told
		log.Info("agent ended")
	}
	return err
}

// await waits for the end of the agent, for endWithin after ctx ended; then it
// writes down where the agent hangs.
func await(ctx context.Context, done <-chan error, log io.Writer) error {
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	select {
	case err := <-done:
		return err
	case <-time.After(endWithin):
		_ = pprof.Lookup("goroutine").WriteTo(log, 1)
		return fmt.Errorf("the agent did not end within %s; what the journal held is safe, the rest is read from the counters at the next start", endWithin)
	}
}

type checkCommand struct {
	configFlag
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *checkCommand) Run(w *world) error {
	conf, _, err := edge.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	if err := conf.Validate(); err != nil {
		return err
	}
	rows := edge.Check(w.ctx, conf)
	bad := 0
	for _, r := range rows {
		if !r.OK {
			bad++
		}
	}
	if c.JSON {
		err = printJSON(w.out, rows)
	} else {
		err = table(w.out, func(t io.Writer) {
			fmt.Fprintln(t, "MACHINE\tINPUT\tKIND\tVALUE\tOK\tPROBLEM")
			for _, r := range rows {
				ok := "yes"
				if !r.OK {
					ok = "no"
				}
				fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Machine, r.Input, r.Kind, r.Value, ok, r.Problem)
			}
		})
	}
	if err == nil && bad > 0 {
		fmt.Fprintf(w.errOut, "agent: %d of %d inputs are not readable\n", bad, len(rows))
		err = errSaid
	}
	return err
}

type showCommand struct {
	configFlag
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *showCommand) Run(w *world) error {
	_, origins, err := edge.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	if c.JSON {
		type row struct {
			Key   string `json:"key"`
			Value string `json:"value"`
			From  string `json:"from"`
		}
		rows := make([]row, 0, len(origins))
		for _, o := range origins {
			rows = append(rows, row{o.Key, o.Value, o.From})
		}
		return printJSON(w.out, rows)
	}
	return table(w.out, func(t io.Writer) {
		fmt.Fprintln(t, "KEY\tVALUE\tFROM")
		for _, o := range origins {
			fmt.Fprintf(t, "%s\t%s\t%s\n", o.Key, o.Value, o.From)
		}
	})
}

func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

func table(w io.Writer, rows func(io.Writer)) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	rows(t)
	return t.Flush()
}
