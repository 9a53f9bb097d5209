// Command planner is the command line of people and scripts: machines, orders,
// creels, units and the mill's book, over gRPC. The one rule: results go to
// standard output, words about the work to standard error, and the exit code
// says what kind of end it was. It keeps nothing and plans nothing itself.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], world{in: os.Stdin, out: os.Stdout, err: os.Stderr}))
}
