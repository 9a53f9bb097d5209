package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type unitsCmd struct {
	List     unitsListCmd     `cmd:"" default:"1" help:"Every agent, the longest unheard first."`
	Register unitsRegisterCmd `cmd:"" help:"Let an agent in and say which machines it speaks for."`
}

type unitsListCmd struct{}

type unitsRegisterCmd struct {
	Agent    string   `arg:"" help:"Agent, for example u-03."`
	Machines []string `required:"" help:"Machines it speaks for." placeholder:"k01,k02"`
	DryRun   bool     `name:"dry-run" help:"Tell what would change and write nothing."`
}

// Help has an example.
func (*unitsRegisterCmd) Help() string {
	return "Example:\n  planner units register u-03 --machines k01,k02 --dry-run"
}

// unitJSON is an agent as scripts read it.
type unitJSON struct {
	Agent        string     `json:"agent"`
	Machines     []string   `json:"machines"`
	Online       bool       `json:"online"`
	Heard        *time.Time `json:"heard"`
	ClockMS      int64      `json:"clock_offset_ms"`
	Outstanding  int64      `json:"outstanding"`
	Version      string     `json:"version"`
	JournalBytes int64      `json:"journal_bytes"`
}

func unitFromPB(a *pb.Agent) unitJSON {
	return unitJSON{
		Agent: strings.TrimPrefix(a.GetName(), "agents/"), Machines: some(a.GetMachines()), Online: a.GetOnline(), Heard: when(a.GetHeardTime()),
		ClockMS: a.GetClockOffset().AsDuration().Milliseconds(), Outstanding: a.GetOutstandingCount(), Version: a.GetVersion(), JournalBytes: a.GetJournalBytes(),
	}
}

func (c *unitsListCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	data := []unitJSON{}
	for token := ""; ; {
		r, err := s.agents().ListAgents(ctx, &pb.ListAgentsRequest{PageSize: pageSize, PageToken: token})
		if err != nil {
			return s.explain(err)
		}
		for _, a := range r.GetAgents() {
			data = append(data, unitFromPB(a))
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	sickestFirst(data)
	l := listing{
		head:  []string{"unit", "state", ">heard", ">clock", ">to send", ">journal", "version", "machines"},
		empty: "no units yet; let one in with `planner units register u-01 --machines k01`",
	}
	for i := range data {
		l.add(s.unitRow(&data[i])...)
	}
	l.data = struct {
		Units []unitJSON `json:"units"`
	}{data}
	return s.print(&l)
}

// sickestFirst puts the units that were heard longest ago on top.
func sickestFirst(units []unitJSON) {
	slices.SortStableFunc(units, func(a, b unitJSON) int {
		switch {
		case a.Heard == nil && b.Heard == nil:
			return strings.Compare(a.Agent, b.Agent)
		case a.Heard == nil:
			return -1
		case b.Heard == nil:
			return 1
		}
		// Agents that speak in turn would change places all the time.
		if d := a.Heard.Truncate(time.Minute).Compare(b.Heard.Truncate(time.Minute)); d != 0 {
			return d
		}
		return strings.Compare(a.Agent, b.Agent)
	})
}

func (s *session) unitRow(u *unitJSON) []string {
	state, heard, offset := "offline", "never", "?"
	if u.Online {
		state = "online"
	}
	if u.Heard != nil {
		heard = ago(s.now().Sub(*u.Heard)) + " ago"
		offset = fmt.Sprintf("%+.1f s", float64(u.ClockMS)/1000)
	}
	if len(u.Machines) == 0 {
		state = "not registered"
	}
	return []string{
		u.Agent, state, heard, offset, fmt.Sprint(u.Outstanding), fmt.Sprintf("%.1f MB", float64(u.JournalBytes)/1e6), u.Version,
		strings.ToUpper(strings.Join(u.Machines, " ")),
	}
}

func (c *unitsRegisterCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.agents().RegisterAgent(ctx, &pb.RegisterAgentRequest{Agent: c.Agent, Machines: machineNames(c.Machines), ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	u := unitFromPB(r.GetAgent())
	l := listing{head: []string{"unit", "machines", "new machines", ""}}
	l.add(u.Agent, strings.Join(u.Machines, " "), strings.Join(r.GetCreatedMachines(), " "), dryNote(c.DryRun))
	l.data = struct {
		Agent    string   `json:"agent"`
		Machines []string `json:"machines"`
		Created  []string `json:"created_machines"`
		DryRun   bool     `json:"dry_run"`
	}{u.Agent, u.Machines, some(r.GetCreatedMachines()), c.DryRun}
	return s.print(&l)
}

func dryNote(dry bool) string {
	if dry {
		return "nothing written"
	}
	return ""
}
