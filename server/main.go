// Command server takes in what the agents of a mill count, keeps it, and
// answers people: gRPC, pages and metrics, with the MQTT broker inside.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"
	_ "time/tzdata" // the mill's zone must be known on every host

	"github.com/alecthomas/kong"

	"turnwise/proto/conf"
	"turnwise/server/host"
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
const endWithin = 9 * time.Second

type commands struct {
	Run        runCommand        `cmd:"" help:"Run the server in the foreground until SIGTERM."`
	Backup     backupCommand     `cmd:"" help:"Take a verified backup of the records, beside a running server or without one."`
	Restore    restoreCommand    `cmd:"" help:"Put a backup in the place of the records, with the server stopped."`
	Verify     verifyCommand     `cmd:"" help:"Check every record and every kept sum; reads only, beside a running server too."`
	Prune      pruneCommand      `cmd:"" help:"Drop old records that a backup holds and keep their sums; beside a running server too."`
	Shrink     shrinkCommand     `cmd:"" help:"Make the file of the records anew without its free room, with the server stopped."`
	Streams    streamsCommand    `cmd:"" help:"Streams of agents that were stopped because two readers told one counter."`
	Quarantine quarantineCommand `cmd:"" help:"What agents sent and could not be read or applied."`
	Config     struct {
		Show  showCommand  `cmd:"" help:"Print every value with its origin."`
		Check checkCommand `cmd:"" help:"Check the configuration and tell all its faults."`
	} `cmd:"" help:"Look at the configuration."`
	Version kong.VersionFlag `help:"Print the version and exit."`
}

type configFlag struct {
	Config string `short:"c" placeholder:"FILE" help:"Configuration file (server.yaml). Without it the defaults hold. TURNWISE_A__B=value overrides the key a.b."`
}

type runCommand struct {
	configFlag
	LogLevel string `enum:"debug,info,warn,error" default:"info" help:"Least level of the log on standard error: ${enum}."`
}

type showCommand struct {
	configFlag
	JSON bool `name:"json" help:"Print JSON."`
}

type checkCommand struct{ configFlag }

// world is what a command may touch.
type world struct {
	ctx         context.Context
	environ     []string
	out, errOut io.Writer
}

// run is the program without the process: 0 done, 1 failed, 2 wrong use.
func run(ctx context.Context, args, environ []string, out, errOut io.Writer) int {
	var c commands
	exit := -1
	parser := kong.Must(&c, kong.Name("server"), kong.Description("The Turnwise server: records of the machines, API and pages."),
		kong.Vars{"version": versionText()}, kong.Writers(out, errOut), kong.Exit(func(code int) { exit = code }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err := conf.CheckArgs(args); err != nil {
		fmt.Fprintf(errOut, "server: %v\n", err)
		return 2
	}
	k, err := parser.Parse(args)
	if exit >= 0 { // help or version
		return exit
	}
	if err != nil {
		fmt.Fprintf(errOut, "server: %s; see server --help\n", conf.ArgWords(err))
		return 2
	}
	if err := k.Run(&world{ctx, environ, out, errOut}); err != nil {
		fmt.Fprintln(errOut, err)
		if errors.Is(err, errUsage) {
			return 2
		}
		return 1
	}
	return 0
}

// errUsage is inside errors about arguments.
var errUsage = errors.New("wrong use")

func (r *runCommand) Run(w *world) error {
	c, _, err := host.LoadConfig(r.Config, w.environ)
	if err != nil {
		return err
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(r.LogLevel)); err != nil {
		return fmt.Errorf("%w: --log-level: %w", errUsage, err)
	}
	log := slog.New(slog.NewTextHandler(w.errOut, &slog.HandlerOptions{Level: level}))
	h, err := host.New(w.ctx, c, host.Options{Log: log, Version: versionText()})
	if w.ctx.Err() != nil && errors.Is(err, w.ctx.Err()) {
		return nil // the end was asked for during the start
	}
	if err != nil {
		return err
	}
	fmt.Fprintln(w.out, line(h.Addrs(), c))
	notify(w.environ, "READY=1")
	ended := make(chan struct{})
	defer close(ended)
	context.AfterFunc(w.ctx, func() {
		notify(w.environ, "STOPPING=1")
		select {
		case <-ended:
		case <-time.After(endWithin):
			fmt.Fprintf(w.errOut, "server: not ended within %s; leaving. What was acknowledged is on the disk\n", endWithin)
			os.Exit(1)
		}
	})
	return h.Run(w.ctx)
}

// line tells where the server is, in one line.
func line(a host.Addrs, c host.Config) string {
	var parts []string
	for _, p := range [][3]string{{"pages http://", a.HTTP, "/"}, {"grpc ", a.GRPC, ""}, {"mqtt ", a.MQTT, ""}, {"metrics http://", a.Metrics, "/metrics"}} {
		if p[1] != "" {
			parts = append(parts, p[0]+p[1]+p[2])
		}
	}
	file, err := filepath.Abs(c.Database.File)
	if err != nil {
		file = c.Database.File
	}
	return fmt.Sprintf("server of site %s: %s, records in %s", c.Site.ID, strings.Join(append(parts, "ready"), ", "), file)
}

func (s *showCommand) Run(w *world) error {
	_, origins, err := host.LoadConfig(s.Config, w.environ)
	if origins == nil {
		return err
	}
	rows := host.Show(origins)
	if s.JSON {
		enc := json.NewEncoder(w.out)
		enc.SetIndent("", "  ")
		return errors.Join(enc.Encode(rows), err)
	}
	tw := tabwriter.NewWriter(w.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(tw, "KEY\tVALUE\tORIGIN\tNOTE")
	for _, r := range rows {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\n", r.Key, r.Value, r.Origin, r.Note)
	}
	return errors.Join(tw.Flush(), err)
}

func (k *checkCommand) Run(w *world) error {
	_, origins, err := host.LoadConfig(k.Config, w.environ)
	if err != nil {
		return err
	}
	set, idle := 0, []string(nil)
	for _, r := range host.Show(origins) {
		if r.Origin == "default" {
			continue
		}
		if set++; r.Note != "" {
			idle = append(idle, r.Key)
		}
	}
	fmt.Fprintf(w.out, "the configuration is good: %d values set, %d by default\n", set, len(origins)-set)
	if len(idle) > 0 {
		fmt.Fprintf(w.out, "read, checked and not used in this version: %s\n", strings.Join(idle, ", "))
	}
	return nil
}

func versionText() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "dev"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "dev-" + s.Value[:12]
		}
	}
	return "dev"
}

// notify tells the service manager, where there is one (sd_notify protocol).
func notify(environ []string, state string) {
	for _, kv := range environ {
		if name, ok := strings.CutPrefix(kv, "NOTIFY_SOCKET="); ok && name != "" {
			c, err := net.Dial("unixgram", name) // a leading @ is an abstract socket to Go too
			if err != nil {
				return // not being heard is no reason not to serve
			}
			_, _ = c.Write([]byte(state))
			_ = c.Close()
		}
	}
}
