// Command simulator runs Mill Fourteen, an invented knitting mill of fourteen
// machines, on the real path: Modbus, agents, MQTT, server and pages. Without
// arguments it starts everything in one process on the loopback interface.
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
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"turnwise/proto/conf"
	"turnwise/server/host"
	"turnwise/simulator/backtest"
	"turnwise/simulator/cones"
	"turnwise/simulator/mill"
)

type commands struct {
	Run     runCommand     `cmd:"" default:"withargs" help:"Run the whole mill in this process (default)."`
	Check   checkCommand   `cmd:"" help:"Run the mill in a folder that is removed, and compare the server's books with the truth."`
	PLC     plcCommand     `cmd:"" name:"plc" help:"Run the machines alone, as Modbus TCP servers, for agents started by hand."`
	Compare compareCommand `cmd:"" help:"Compare a truth file of plc with the books of a server."`
	Chaos   chaosCommand   `cmd:"" help:"Run agents and a server as processes under faults drawn from a seed, and compare the books with the truth."`

	Backtest backtestCommand `cmd:"" help:"Draw mills whose truth is known, forecast their orders and count how often dates were kept."`
	Calls    callsCommand    `cmd:"" help:"Play hours of the mill with its tenders, and count what people were asked and which mix-ups of lots were caught."`
	Weeks    weeksCommand    `cmd:"" help:"Load weeks of a mill by plans and by the habit of earliest due date, and compare."`
	Cones    conesCommand    `cmd:"" help:"Play creels with cones changed when out, by a planner that learns and by one that knows, and compare."`
}

// env is what commands stand on.
type env struct {
	ctx         context.Context
	out, errOut io.Writer
}

func main() {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // as nohup does
		ends = append(ends, syscall.SIGHUP) // the terminal was closed
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// usage is the exit code for arguments that cannot be understood.
const usage = 2

func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	exit := -1
	parser, err := kong.New(&commands{}, kong.Name("simulator"), kong.Description("Mill Fourteen: a simulated knitting mill on the real path."),
		kong.Writers(out, errOut), kong.Exit(func(code int) { exit = code }))
	if err != nil {
		fmt.Fprintln(errOut, err)
		return 1
	}
	if err := conf.CheckArgs(args); err != nil {
		fmt.Fprintf(errOut, "simulator: %v\n", err)
		return usage
	}
	k, err := parser.Parse(args)
	if exit >= 0 { // --help
		return exit
	}
	if err != nil {
		fmt.Fprintf(errOut, "simulator: %s; see simulator --help\n", conf.ArgWords(err))
		return usage
	}
	err = k.Run(&env{ctx, out, errOut})
	switch {
	case err == nil:
		return 0
	case errors.Is(err, errDiffers):
		return 1
	}
	fmt.Fprintf(errOut, "simulator: %v\n", err)
	if errors.Is(err, cones.ErrOptions) || errors.Is(err, backtest.ErrOptions) {
		return usage
	}
	if address, ok := mill.PortTaken(err); ok {
		fmt.Fprintf(errOut, "%s is taken: end the other program or choose another port with --http, --grpc, --mqtt or --metrics, for example --http 127.0.0.1:0 for a free one\n", address)
	}
	return 1
}

// counted is nil for a number of things that a command can do.
func counted(flag string, n, most int) error {
	if n < 1 || n > most {
		return fmt.Errorf("%s is %d, 1 to %d is expected", flag, n, most)
	}
	return nil
}

// measured is nil for a measure that a command can take.
func measured(flag string, v, most float64) error {
	if !(v > 0 && v <= most) {
		return fmt.Errorf("%s is %g, above 0 and at most %g is expected", flag, v, most)
	}
	return nil
}

// errDiffers: the comparison was told already.
var errDiffers = errors.New("truth and books differ")

func logger(w io.Writer, verbose bool) *slog.Logger {
	level := slog.LevelError
	if verbose {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}

type runCommand struct {
	Data    string `default:"turnwise-demo" type:"path" help:"Data folder. A second start goes on where the first stopped."`
	Seed    uint64 `help:"Seed of the mill; 0 is that of the folder, or 14."`
	Zone    string `help:"IANA time zone of the mill; empty is that of the folder, or Europe/Istanbul."`
	HTTP    string `default:"127.0.0.1:7080" help:"Address of the pages."`
	GRPC    string `default:"127.0.0.1:7443" help:"Address of the API."`
	MQTT    string `default:"127.0.0.1:7883" help:"Address for the agents."`
	Metrics string `default:"127.0.0.1:7465" help:"Address of the metrics."`
	Verbose bool   `short:"v" help:"Log everything to standard error."`
}

// Run runs the demo until it is interrupted.
func (c *runCommand) Run(e *env) error {
	begun := time.Now()
	say := func(line string) { fmt.Fprintln(e.out, line) }
	d, err := mill.NewDemo(e.ctx, mill.Options{Version: "demo", Log: logger(e.errOut, c.Verbose), Told: say,
		Floor:  mill.FloorOptions{Dir: c.Data, Seed: c.Seed, Zone: c.Zone},
		Listen: host.ListenConfig{GRPC: c.GRPC, HTTP: c.HTTP, MQTT: c.MQTT, Metrics: c.Metrics}})
	if err != nil {
		return err
	}
	a := d.Addrs()
	say("Mill Fourteen    http://" + a.HTTP + "/")
	say("API (gRPC)       " + a.GRPC)
	say("data folder      " + c.Data)
	if d.Resumed() {
		say("The mill goes on where it stopped; while it was off its machines stood.")
	} else {
		say("Five past days are on their way through the agents; pages fill in the meantime.")
	}
	ended := make(chan error, 1)
	go func() { ended <- d.Run(e.ctx) }()
	for loaded := d.Loaded(); ; {
		select {
		case <-loaded:
			loaded = nil
			if e.ctx.Err() == nil {
				say(fmt.Sprintf("The mill runs: %s after %.1f s. Ctrl-C ends it.", d.Status(e.ctx), time.Since(begun).Seconds()))
			}
		case err := <-ended:
			if err == nil {
				say("ended; start again to go on")
			}
			return err
		}
	}
}

type checkCommand struct {
	Duration time.Duration `default:"60s" help:"Length of the live part."`
	Seed     uint64        `default:"7" help:"Seed of the mill."`
	JSON     bool          `help:"Print the result as one JSON object on the last line."`
	Verbose  bool          `short:"v" help:"Log everything to standard error."`
}

// Validate refuses what cannot be run.
func (c *checkCommand) Validate() error {
	if c.Duration <= 0 {
		return fmt.Errorf("--duration is %s, above 0 is expected, for example 60s", c.Duration)
	}
	return nil
}

// Run compares the mill's books with the truth.
func (c *checkCommand) Run(e *env) error {
	progress := e.out
	if c.JSON {
		progress = e.errOut
	}
	r, err := mill.RunCheck(e.ctx, mill.CheckOptions{Seed: c.Seed, Duration: c.Duration, Log: logger(e.errOut, c.Verbose), Version: "check",
		Told: func(line string) { fmt.Fprintln(progress, line) }})
	if err != nil {
		return err
	}
	more := fmt.Sprintf("%d records, loaded in %.1f s; watch p50 %.0f ms, p99 %.0f ms over %d changes, %d missed",
		r.Records, r.Loading, r.WatchP50, r.WatchP99, r.WatchCount, r.Missed)
	t := r.Tending
	more += fmt.Sprintf("\n%d rounds of cones, %d told late, %d never; %d mix-ups of lots, %d of them told, %d of those caught; %d released",
		t.Rounds, t.Late, t.NoTap, len(t.Mixups), t.Told, t.Caught, t.Release)
	more += fmt.Sprintf("\n%d rolls weighed; counted and weighed kilos differ on %s", t.Weighed, strings.Join(r.RatioAlarms, ", "))
	for _, a := range r.Asked {
		more += fmt.Sprintf("\n%s: %d calls and %d alarms in the live part, in which each machine is stopped every 25 s: %.2f and %.2f in 10 minutes, at most %d; %d floods", a.Person, a.Calls, a.Alarms, a.MeanCalls, a.MeanAlarms, a.Worst, a.Floods)
	}
	return report(e, c.JSON, r, r.Comparison, more)
}

// report prints a comparison and tells whether it agreed.
func report(e *env, asJSON bool, whole any, c mill.Comparison, more string) error {
	if asJSON {
		text, err := json.Marshal(whole)
		if err != nil {
			return fmt.Errorf("write the result: %w", err)
		}
		fmt.Fprintln(e.out, string(text))
	} else {
		fmt.Fprintf(e.out, "%d machines: %d of %d revolutions, %d of %d stops, %.3f of %.3f kg, %.1f of %.1f s unknown\n", c.Machines,
			c.RevolutionsStored, c.RevolutionsTruth, c.StopsStored, c.StopsTruth, c.KilosCounted, c.KilosTruth, c.UnknownSeconds, c.UnknownTruth)
		if more != "" {
			fmt.Fprintln(e.out, more)
		}
		for _, m := range c.Mismatches {
			fmt.Fprintln(e.out, "differs:", m)
		}
	}
	if len(c.Mismatches) > 0 {
		return errDiffers
	}
	return nil
}

type plcCommand struct {
	Data        string        `default:"turnwise-plc" type:"path" help:"Data folder; truth.json in it is refreshed each second."`
	Seed        uint64        `help:"Seed of the mill; 0 is that of the folder, or 14."`
	PortsFile   string        `type:"path" help:"JSON file of the machines' addresses: read if there, else written."`
	WriteConfig string        `type:"path" help:"Folder to write agent.yaml, server.yaml and book.yaml into."`
	FreezeAfter time.Duration `help:"Stop all cylinders for good after so long."`
	Stand       time.Duration `default:"60s" help:"Machines stand for so long at the first start, so that the agents see the first turn."`
	LivelyEvery time.Duration `help:"Add a short stop to each machine so often in the first half hour; at least 11 s more than --lively-for."`
	LivelyFor   time.Duration `default:"20s" help:"Length of those stops."`
	GRPC        string        `default:"127.0.0.1:7443" help:"Address of the API for the written files."`
	HTTP        string        `default:"127.0.0.1:7080" help:"Address of the pages for the written files."`
	MQTT        string        `default:"127.0.0.1:7883" help:"Address for the agents for the written files."`
}

// Help has an example.
func (*plcCommand) Help() string {
	return `Example, a terminal for each program that stays:

  simulator plc --write-config conf --freeze-after 10m
  server run -c conf/server.yaml
  planner book apply conf/book.yaml
  agent run -c conf/agent.yaml
  simulator compare --truth turnwise-plc/truth.json     # when the machines are frozen

The books count from the first look of an agent: have it running before the
machines begin to turn (--stand). Each program may be killed and started again.
A stop that begins and ends while no agent runs cannot be known to anybody.`
}

// livelyApart is the least time from the end of one short stop of a machine to the
// begin of its next: machines turn 10 s between two stops, and a stop comes up to a
// tenth of a second late.
const livelyApart = 11 * time.Second

// Validate refuses what no machine can do, before anything is written.
func (c *plcCommand) Validate() error {
	for _, x := range []struct {
		flag string
		d    time.Duration
	}{{"--freeze-after", c.FreezeAfter}, {"--stand", c.Stand}, {"--lively-every", c.LivelyEvery}, {"--lively-for", c.LivelyFor}} {
		if x.d < 0 {
			return fmt.Errorf("%s is %s, 0 or more is expected", x.flag, x.d)
		}
	}
	if c.LivelyEvery > 0 && c.LivelyEvery < c.LivelyFor+livelyApart {
		return fmt.Errorf("--lively-every is %s and --lively-for %s: a machine turns between two stops, so --lively-every must be at least %s; raise it, or shorten the stops by --lively-for",
			c.LivelyEvery, c.LivelyFor, c.LivelyFor+livelyApart)
	}
	return nil
}

// Run runs the machines until it is interrupted.
func (c *plcCommand) Run(e *env) error {
	return mill.RunPLC(e.ctx, mill.PLCOptions{
		Floor:     mill.FloorOptions{Dir: c.Data, Seed: c.Seed, Live: true, Stand: c.Stand, LivelyEvery: c.LivelyEvery, LivelyFor: c.LivelyFor},
		PortsFile: c.PortsFile, WriteConfig: c.WriteConfig, FreezeAfter: c.FreezeAfter,
		Listen: host.ListenConfig{GRPC: c.GRPC, HTTP: c.HTTP, MQTT: c.MQTT, Metrics: host.Off},
		Told:   func(line string) { fmt.Fprintln(e.out, line) }})
}

type compareCommand struct {
	Truth  string        `required:"" type:"path" help:"truth.json of plc."`
	Server string        `default:"127.0.0.1:7443" help:"Address of the server's API."`
	Wait   time.Duration `default:"30s" help:"How long differences may persist at the most; it ends sooner where nothing more can come."`
	JSON   bool          `help:"Print the result as one JSON object on the last line."`
}

// Validate refuses what cannot be waited.
func (c *compareCommand) Validate() error {
	if c.Wait < 0 {
		return fmt.Errorf("--wait is %s, 0 or more is expected, for example 30s", c.Wait)
	}
	return nil
}

// Run compares at rest.
func (c *compareCommand) Run(e *env) error {
	r, err := mill.Compare(e.ctx, mill.CompareOptions{TruthFile: c.Truth, Server: c.Server, Wait: c.Wait})
	if err != nil {
		return err
	}
	return report(e, c.JSON, r, r, "")
}
