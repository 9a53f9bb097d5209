package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"turnwise/proto/conf"
)

// Exit codes; scripts rest on them.
const (
	exitOK          = 0
	exitFailed      = 1
	exitUsage       = 2
	exitNotFound    = 3
	exitRefused     = 4
	exitUnreachable = 5
	exitPartly      = 6
)

// world is what a command sees of the outside.
type world struct {
	in       io.Reader
	out, err io.Writer
	now      func() time.Time // nil = time.Now
}

// exitError ends a command with a code of its own.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func usage(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}

// common are the flags of every command.
type common struct {
	Server  string        `help:"Server of the mill." env:"TURNWISE_SERVER" default:"127.0.0.1:7443" placeholder:"HOST:PORT"`
	CA      string        `name:"ca" help:"Certificates to trust the server by; default: those of this computer." placeholder:"FILE"`
	Cert    string        `help:"Certificate of this client." placeholder:"FILE"`
	Key     string        `help:"Key of this client." placeholder:"FILE"`
	Output  string        `short:"o" enum:"table,json,csv" default:"table" help:"Form of the result: table, json or csv."`
	JSON    bool          `name:"json" help:"The same as -o json."`
	Zone    string        `help:"Zone of the times in tables; default: that of this computer." placeholder:"Europe/Istanbul"`
	Timeout time.Duration `help:"How long to wait for an answer." default:"30s"`
}

type cli struct {
	common

	Machines machinesCmd `cmd:"" help:"Machines: what they are and what they do now."`
	Totals   totalsCmd   `cmd:"" help:"The books of every machine: revolutions, stops, time and kilos since first sight."`
	Stops    stopsCmd    `cmd:"" help:"Stops of a machine, newest first."`
	Orders   ordersCmd   `cmd:"" help:"Orders: kilos left and the finish with its certainty."`
	Promise  promiseCmd  `cmd:"" help:"A date for an order that is not in the book."`
	Forecast forecastCmd `cmd:"" help:"The finish of an order of the book, and what it rests on."`
	Whatif   whatifCmd   `cmd:"" help:"What changes of the floor would do to the orders; nothing is written."`
	Plan     planCmd     `cmd:"" help:"Which order runs on which machine: search, compare, apply, undo, explain."`
	Care     careCmd     `cmd:"" help:"Planned work on machines: when it is due, and that it was done."`
	Kept     keptCmd     `cmd:"" help:"What was promised and what happened."`
	Creel    creelCmd    `cmd:"" help:"Creels: what comes next, cones put on, taken back."`
	Rolls    rollsCmd    `cmd:"" help:"Rolls: what they weigh, listed, taken back."`
	Proof    proofCmd    `cmd:"" help:"Counted against weighed kilos of every machine, and what may be the matter."`
	Yarn     yarnCmd     `cmd:"" help:"Yarn: lots, requisition and return, release of a lot."`
	Alarms   alarmsCmd   `cmd:"" help:"What needs an answer: acknowledge, shelve, take out of service."`
	Asked    askedCmd    `cmd:"" help:"Calls and alarms of each person, which is a set of machines, in 10 minutes."`
	Units    unitsCmd    `cmd:"" help:"Agents: who reads which machine, and who is sick."`
	Upkeep   upkeepCmd   `cmd:"" help:"How the server keeps its records: since when, in how much room, and the newest backup."`
	Book     bookCmd     `cmd:"" help:"The mill's book: machines, yarns, articles, cards, orders."`
	Watch    watchCmd    `cmd:"" help:"Follow changes as they are committed."`
	Calc     calcCmd     `cmd:"" help:"Calculate kilos, counts, cloth, cones, rolls and regain; no server is asked."`
}

const about = `Asks a Turnwise server, and tells it what people did.

Origin of figures in tables: c counted, w weighed, k calculated, e entered, f forecast, ? unknown.
Exit codes: 0 ok, 1 failed, 2 usage, 3 not found, 4 refused, 5 not reachable, 6 partly.

Examples:
  planner machines                       every machine now
  planner creel next --set A             the next things to do in set A
  planner promise --article pq24-ne26 --kg 6000 --risk 0.1
  planner forecast SO-1041 --explain
  planner whatif slow K03 27, down K04 6h
  planner plan solve --seconds 5         then: planner plan apply
  planner orders import book.xlsx --dry-run
  planner totals --json --wait-drained 30s
  planner calc convert "Ne 30/1"         a count in every other system`

// run is the whole program but for the process around it.
func run(ctx context.Context, args []string, w world) int {
	if w.now == nil {
		w.now = time.Now
	}
	var c cli
	exit := -1
	parser, err := kong.New(&c,
		kong.Name("planner"), kong.Description(about), kong.UsageOnError(),
		kong.Writers(w.out, w.err), kong.Exit(func(code int) { exit = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: false}),
		kong.BindTo(ctx, (*context.Context)(nil)),
	)
	if err != nil {
		fmt.Fprintln(w.err, "planner: command table:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	if err := conf.CheckArgs(args); err != nil {
		return complain(w, usage("%w", err))
	}
	args, err = belowZero(args)
	if err != nil {
		return complain(w, err)
	}
	parsed, err := parser.Parse(args)
	if exit >= 0 { // help was printed
		return exit
	}
	if err != nil {
		return complain(w, usage("%s; see planner --help", conf.ArgWords(err)))
	}
	if err := checkSome(parsed); err != nil {
		return complain(w, err)
	}
	if c.Timeout <= 0 {
		return complain(w, usage("--timeout %v: expected above 0, for example 30s", c.Timeout))
	}
	if strings.HasPrefix(parsed.Command(), "calc ") { // asks no server, so a wrong address is no fault
		return complain(w, parsed.Run(offline(&c.common, w)))
	}
	s, err := newSession(&c.common, w)
	if err != nil {
		return complain(w, err)
	}
	defer s.close()
	return complain(w, parsed.Run(s))
}

// checkSome refuses 0 for flags that mean something else where they are absent: of a
// load, all cones would be written for none. Their tag is some.
func checkSome(parsed *kong.Context) error {
	for _, p := range parsed.Path {
		if f := p.Flag; f != nil && f.Tag.Has("some") && f.Target.IsZero() {
			return usage("--%s 0: expected above 0; leave it out for what holds without it; see planner --help", f.Name)
		}
	}
	return nil
}

// complain says an error to a person and picks the exit code.
func complain(w world, err error) int {
	if err == nil {
		return exitOK
	}
	code := exitFailed
	if e, ok := errors.AsType[*exitError](err); ok {
		code = e.code
	}
	word := map[int]string{exitUsage: "usage", exitNotFound: "not found", exitRefused: "refused", exitUnreachable: "not reachable", exitPartly: "partly"}[code]
	if word == "" {
		word = "planner"
	}
	fmt.Fprintf(w.err, "%s: %v\n", word, err)
	return code
}
