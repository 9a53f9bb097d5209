package main

import (
	"context"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

// change are the flags of every command that writes.
type change struct {
	RequestID string `name:"request-id" help:"Name of this change, so that a repeat changes nothing; none = a new one." placeholder:"ID"`
	DryRun    bool   `name:"dry-run" help:"Check and write nothing."`
}

func (c *change) request() string {
	if c.RequestID == "" {
		return newRequestID()
	}
	return c.RequestID
}

type creelDoneCmd struct {
	Task  string `arg:"" help:"Task as told by creel next --json, for example k05-creel-ground-54210."`
	Half  bool   `help:"Only half of the cones, or --cones of them; the rest stays due."`
	Lot   string `help:"Lot of the new cones; none = the one that the task names." placeholder:"L-430"`
	Cones int32  `some:"" help:"Cones changed; none = all of the task. Of a stop: cones that had run out and were replaced." placeholder:"96"`
	Group string `help:"Feed group of a stop's cones; not needed when the card has only one." placeholder:"ground"`
	At    string `help:"When, at most 24 hours ago; none = now." placeholder:"2026-11-25T06:50"`
	change
}

// Help has an example.
func (*creelDoneCmd) Help() string {
	return "Example:\n  planner creel done k05-creel-ground-54210\n\nTake it back within 10 seconds: planner creel undo k05-creel-ground-54210"
}

func (c *creelDoneCmd) Run(ctx context.Context, s *session) error {
	at, err := s.instantTold(c.At)
	if err != nil {
		return err
	}
	r := &pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_DONE, Lot: c.Lot, ConeCount: c.Cones, FeedGroup: c.Group, ActTime: at}
	if c.Half {
		r.Act = pb.TaskAct_TASK_ACT_HALF
	}
	return s.reportTask(ctx, c.Task, r, &c.change)
}

type creelTakeCmd struct {
	Task string `arg:"" help:"Task that you go to now."`
	change
}

func (c *creelTakeCmd) Run(ctx context.Context, s *session) error {
	return s.reportTask(ctx, c.Task, &pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_TAKE}, &c.change)
}

type creelFixerCmd struct {
	Task string `arg:"" help:"Task at whose machine the fixer is needed."`
	change
}

func (c *creelFixerCmd) Run(ctx context.Context, s *session) error {
	return s.reportTask(ctx, c.Task, &pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_CALL_FIXER}, &c.change)
}

var taskStates = map[pb.TaskState]string{
	pb.TaskState_TASK_STATE_DUE: "due", pb.TaskState_TASK_STATE_TAKEN: "taken",
	pb.TaskState_TASK_STATE_HALF_DONE: "half done", pb.TaskState_TASK_STATE_DONE: "done",
}

// reportTask says what was done about a task, and prints its state.
func (s *session) reportTask(ctx context.Context, task string, r *pb.ReportTaskRequest, c *change) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	task = strings.TrimPrefix(task, "tasks/")
	r.Task, r.RequestId, r.ValidateOnly = "tasks/"+task, c.request(), c.DryRun
	answer, err := s.creels().ReportTask(ctx, r)
	if err != nil {
		return s.explain(err)
	}
	load := answer.GetLoad()[strings.LastIndex(answer.GetLoad(), "/")+1:]
	fixer := when(answer.GetFixerCallTime())
	l := listing{head: []string{"task", "state", "load", "fixer called", ""}}
	called := ""
	if fixer != nil {
		called = s.clock(*fixer)
	}
	l.add(task, taskStates[answer.GetState()], load, called, dryNote(c.DryRun))
	l.data = struct {
		Task   string     `json:"task"`
		State  string     `json:"state"`
		Since  *time.Time `json:"since"`
		Load   string     `json:"load"`
		Fixer  *time.Time `json:"fixer_called"`
		DryRun bool       `json:"dry_run"`

		Warnings []string     `json:"warnings"`
		Lessons  []lessonJSON `json:"lessons"`
	}{task, taskStates[answer.GetState()], when(answer.GetStateTime()), load, fixer, c.DryRun, some(answer.GetWarnings()), lessonsFromPB(answer.GetLessons())}
	if err := s.print(&l); err != nil {
		return err
	}
	s.tellLessons(lessonsFromPB(answer.GetLessons()), answer.GetWarnings())
	return nil
}
