package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

type bookCmd struct {
	Apply bookApplyCmd `cmd:"" help:"Create or update every entry of a file, all or nothing."`
}

type bookApplyCmd struct {
	File   string `arg:"" help:"YAML file in the shape of the Book message; - = standard input."`
	DryRun bool   `name:"dry-run" help:"Tell what would change and write nothing."`
}

// Help has an example.
func (*bookApplyCmd) Help() string {
	return `Entries that are not named stay as they are. Example of a file:

  yarns:
    - { id: ne30, count: Ne 30/1, fibre: cotton, cone_net_kg: 1.89 }
  articles:
    - { id: SJ-30x28, display_name: SJ 30x28, roll_kg: 25, waste_ratio: 0.02 }
  cards:
    - id: sj-k01
      article: SJ-30x28
      machine: k01
      speed_rpm: 28
      feeds:
        - { id: ground, yarn: ne30, lot: L-417, feeder_count: 90, course_length_m: 7.26 }
  orders:
    - { id: SO-1041, article: SJ-30x28, quantity_kg: 6000, promise_time: 2026-11-30T08:00:00+03:00 }
  assignments:
    - { machine: k01, from_time: 2026-11-20T06:00:00+03:00, order: SO-1041, card: sj-k01 }
    - { machine: k01, from_time: 2026-11-30T06:00:00+03:00, order: SO-1060, card: sj-k01, planned: true }

An article may say what its machines must have: diameter_inch, gauge_npi, structure, bed_count (2 for rib and
interlock); a machine has two needle beds with a dial_needle_count or a bed_count of 2.

Without planned the order begins at from_time by the clock. With it, from_time is when it is
expected: it begins when somebody says so (planner plan start, or done of the order before in
the creel round), and until then all that is knitted counts for the order before.

Example:
  planner book apply mill.yaml --dry-run`
}

// maxBookBytes bounds a book file; the largest mill needs a tenth of it.
const maxBookBytes = 3 << 20

func (c *bookApplyCmd) Run(ctx context.Context, s *session) error {
	name, raw, err := s.readInput(c.File, maxBookBytes, "apply it in parts")
	if err != nil {
		return err
	}
	book := new(pb.Book)
	places, err := readYAML(name, raw, book)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.books().ApplyBook(ctx, &pb.ApplyBookRequest{Book: book, ValidateOnly: c.DryRun, RequestId: newRequestID()})
	if err != nil {
		return s.explainBook(err, name, places)
	}
	l := listing{head: []string{"change"}, empty: "nothing to change"}
	for _, line := range r.GetChanges() {
		l.add(line)
	}
	l.data = struct {
		Created int64    `json:"created"`
		Updated int64    `json:"updated"`
		Same    int64    `json:"same"`
		Changes []string `json:"changes"`
		DryRun  bool     `json:"dry_run"`
	}{int64(r.GetCreatedCount()), int64(r.GetUpdatedCount()), int64(r.GetSameCount()), some(r.GetChanges()), c.DryRun}
	if err := s.print(&l); err != nil {
		return err
	}
	verb := "written"
	if c.DryRun {
		verb = "not written (dry run)"
	}
	fmt.Fprintf(s.err, "%d new, %d changed, %d the same; %s\n", r.GetCreatedCount(), r.GetUpdatedCount(), r.GetSameCount(), verb)
	return nil
}

// explainBook puts the line of the file before each fault that the server
// found in a field.
func (s *session) explainBook(err error, name string, places map[string]int) error {
	st, ok := status.FromError(err)
	if !ok {
		return err
	}
	bad := fieldViolations(st)
	if len(bad) == 0 {
		return s.explain(err)
	}
	var lines []string
	for _, v := range bad {
		path := strings.TrimPrefix(v.GetField(), "book.")
		lines = append(lines, fmt.Sprintf("%s:%d: %s %s", name, nearest(places, path), path, v.GetDescription()))
	}
	return &exitError{exitRefused, errors.New(strings.Join(lines, "\n  ") + "\n  nothing was written; correct the file and apply it again")}
}

// nearest finds the line of a field, or of the entry that lacks it.
func nearest(places map[string]int, path string) int {
	for path != "" {
		if line, ok := places[path]; ok {
			return line
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			break
		}
		path = path[:i]
	}
	return 1
}
