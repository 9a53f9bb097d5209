package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

const pageSize = 1000

type machinesCmd struct {
	List machinesListCmd `cmd:"" default:"1" help:"Every machine now."`
	Show machinesShowCmd `cmd:"" help:"One machine."`
}

type machinesListCmd struct{}

type machinesShowCmd struct {
	ID string `arg:"" help:"Machine, for example k01."`
}

// machineJSON is a machine as scripts read it.
type machineJSON struct {
	Machine        string     `json:"machine"`
	Name           string     `json:"name"`
	Area           string     `json:"area"`
	Set            string     `json:"set"`
	Agent          string     `json:"agent"`
	State          string     `json:"state"`
	Cause          string     `json:"cause"`
	Since          *time.Time `json:"since"`
	Heard          *time.Time `json:"heard"`
	SpeedRPM       float64    `json:"speed_rpm"`
	CardRPM        float64    `json:"card_rpm"`
	Order          string     `json:"order"`
	Card           string     `json:"card"`
	Revolutions    int64      `json:"revolutions"`
	KilosCounted   float64    `json:"kilos_counted"`
	SinceDoff      int64      `json:"revolutions_since_doff"`
	ToDoff         int64      `json:"revolutions_to_doff"`
	Problem        string     `json:"problem"`
	DiameterInch   float64    `json:"diameter_inch"`
	GaugeNPI       float64    `json:"gauge_npi"`
	CylinderNeedle int64      `json:"cylinder_needles"`
	DialNeedles    int64      `json:"dial_needles"`
	Feeders        int64      `json:"feeders"`
	MaxRPM         float64    `json:"max_rpm"`
	Structures     []string   `json:"structures"`
	Year           int64      `json:"year"`
	Beds           int64      `json:"needle_beds"`
}

var stateWords = map[pb.MachineState]string{
	pb.MachineState_MACHINE_STATE_RUNNING:  "running",
	pb.MachineState_MACHINE_STATE_STOPPED:  "stopped",
	pb.MachineState_MACHINE_STATE_STANDING: "standing",
}

func machineFromPB(m *pb.Machine) machineJSON {
	l := m.GetLive()
	state, ok := stateWords[l.GetState()]
	if !ok {
		state = "unknown"
	}
	return machineJSON{
		Machine: strings.TrimPrefix(m.GetName(), "machines/"), Name: m.GetDisplayName(), Area: m.GetArea(), Set: m.GetSet(), Agent: m.GetAgent(),
		State: state, Cause: l.GetCause(), Since: when(l.GetSinceTime()), Heard: when(l.GetHeardTime()),
		SpeedRPM: l.GetSpeed().GetValue(), CardRPM: l.GetCardSpeedRpm(), Order: l.GetOrder(), Card: l.GetKnitCard(),
		Revolutions: l.GetRevolutionCount(), KilosCounted: l.GetCountedKg().GetValue(),
		SinceDoff: l.GetRevolutionsSinceDoff(), ToDoff: l.GetRevolutionsToDoff(), Problem: l.GetProblem(),
		DiameterInch: m.GetDiameterInch(), GaugeNPI: m.GetGaugeNpi(), CylinderNeedle: int64(m.GetCylinderNeedleCount()),
		DialNeedles: int64(m.GetDialNeedleCount()), Feeders: int64(m.GetFeederCount()), MaxRPM: m.GetMaxSpeedRpm(),
		Structures: some(m.GetStructures()), Year: int64(m.GetCommissioningYear()), Beds: int64(m.GetBedCount()),
	}
}

func (c *machinesListCmd) Run(ctx context.Context, s *session) error {
	all, err := s.allMachines(ctx)
	if err != nil {
		return err
	}
	l := listing{head: machineHead, empty: "no machines yet; register a unit with `planner units register` or apply a book with `planner book apply`"}
	data := make([]machineJSON, 0, len(all))
	for _, m := range all {
		j := machineFromPB(m)
		data = append(data, j)
		l.add(s.machineRow(&j)...)
	}
	l.data = struct {
		Machines []machineJSON `json:"machines"`
	}{data}
	return s.print(&l)
}

func (s *session) allMachines(ctx context.Context) ([]*pb.Machine, error) {
	ctx, cancel := s.call(ctx)
	defer cancel()
	var out []*pb.Machine
	for token := ""; ; {
		r, err := s.machines().ListMachines(ctx, &pb.ListMachinesRequest{PageSize: pageSize, PageToken: token})
		if err != nil {
			return nil, s.explain(err)
		}
		out = append(out, r.GetMachines()...)
		if token = r.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

var machineHead = []string{"machine", "state", "since", "cause", ">rpm", ">card", "order", ">turns", ">kg", ">to doff", "problem"}

func (s *session) machineRow(m *machineJSON) []string {
	rpm, toDoff := "?", "-"
	if m.State == "running" {
		rpm = fmt.Sprintf("%.1fc", m.SpeedRPM)
	} else if m.State != "unknown" {
		rpm = "0c"
	}
	if m.ToDoff > 0 {
		toDoff = fmt.Sprintf("%dk", m.ToDoff)
	}
	state := m.State
	if state == "unknown" {
		state = "unknown?"
	}
	return []string{m.Name, state, s.clockOf(m.Since), m.Cause, rpm, card(m.CardRPM), m.Order, fmt.Sprintf("%dc", m.Revolutions), kg(m.KilosCounted, "c"), toDoff, m.Problem}
}

func card(rpm float64) string {
	if rpm == 0 {
		return "-"
	}
	return fmt.Sprintf("%ge", rpm)
}

func (s *session) clockOf(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return s.clock(*t)
}

func (c *machinesShowCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.machines().GetMachine(ctx, &pb.GetMachineRequest{Name: machineName(c.ID)})
	if err != nil {
		return s.explain(err)
	}
	m := machineFromPB(r.GetMachine())
	row := s.machineRow(&m)
	l := listing{head: []string{m.Name, ""}, data: m}
	for i, h := range machineHead[1:] {
		l.add(strings.TrimPrefix(h, ">"), row[i+1])
	}
	l.add("last heard", s.clockOf(m.Heard))
	l.add("turns since doff", fmt.Sprintf("%dc", m.SinceDoff))
	l.add("agent", m.Agent)
	l.add("area, set", strings.Trim(m.Area+" "+m.Set, " "))
	l.add("cylinder", fmt.Sprintf("%g inch, %g needles/inch, %d needles", m.DiameterInch, m.GaugeNPI, m.CylinderNeedle))
	if m.DialNeedles > 0 {
		l.add("dial", fmt.Sprintf("%d needles", m.DialNeedles))
	}
	if m.Beds > 0 {
		l.add("needle beds", fmt.Sprint(m.Beds))
	}
	l.add("feeders", fmt.Sprint(m.Feeders))
	l.add("structures", strings.Join(m.Structures, ", "))
	return s.print(&l)
}

// machineName makes a resource name of what a person typed.
func machineName(id string) string {
	return "machines/" + strings.TrimPrefix(strings.ToLower(strings.TrimSpace(id)), "machines/")
}

func machineNames(ids []string) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = machineName(id)
	}
	return out
}

type totalsCmd struct {
	WaitDrained time.Duration `name:"wait-drained" help:"Wait until the machines stand and agents hold nothing that is not in the books; exit 6 if that takes longer." placeholder:"30s"`
}

// totalsJSON is the books of one machine. Its field names are fixed.
type totalsJSON struct {
	Machine      string           `json:"machine"`
	Revolutions  int64            `json:"revolutions"`
	Stops        int64            `json:"stops"`
	StopsByCause map[string]int64 `json:"stops_by_cause"`
	OpenStop     bool             `json:"open_stop"`
	LostMin      int64            `json:"lost_min"`
	LostMax      int64            `json:"lost_max"`
	KilosCounted float64          `json:"kilos_counted"`
	RunMS        int64            `json:"run_ms"`
	StopMS       int64            `json:"stop_ms"`
	UnknownMS    int64            `json:"unknown_ms"`
}

// drainPoll is how often the books are asked for while agents catch up.
const drainPoll = 200 * time.Millisecond

func (c *totalsCmd) Run(ctx context.Context, s *session) error {
	waiting, stop := context.WithTimeout(ctx, c.WaitDrained)
	defer stop()
	var r *pb.ListTotalsResponse
	for {
		one, cancel := s.call(ctx)
		var err error
		r, err = s.machines().ListTotals(one, &pb.ListTotalsRequest{})
		cancel()
		if err != nil {
			return s.explain(err)
		}
		if r.GetDrained() || !pause(waiting, drainPoll) {
			break
		}
	}
	l := listing{head: []string{"machine", ">turns", ">stops", "open", ">kg", ">run h", ">stop h", ">unknown h", ">run %", ">lost turns"}, empty: "no machines yet"}
	data := make([]totalsJSON, 0, len(r.GetMachines()))
	for _, t := range r.GetMachines() {
		data = append(data, totalsFromPB(t))
		l.add(totalsRow(t)...)
	}
	l.data = struct {
		Machines []totalsJSON `json:"machines"`
		Drained  bool         `json:"drained"`
	}{data, r.GetDrained()}
	if err := s.print(&l); err != nil {
		return err
	}
	switch {
	case r.GetDrained():
		return nil
	case c.WaitDrained > 0:
		return &exitError{exitPartly, fmt.Errorf("after %v machines turn, or agents hold records or are offline; these books will grow", c.WaitDrained)}
	}
	fmt.Fprintln(s.err, "machines turn, or agents hold records or are offline; these books will grow")
	return nil
}

func totalsFromPB(t *pb.MachineTotals) totalsJSON {
	j := totalsJSON{
		Machine: t.GetMachine(), Revolutions: t.GetRevolutions(), Stops: t.GetStops(), StopsByCause: t.GetStopsByCause(), OpenStop: t.GetOpenStop(),
		LostMin: t.GetLostMin(), LostMax: t.GetLostMax(), KilosCounted: t.GetKilosCounted(),
		RunMS: t.GetRunMs(), StopMS: t.GetStopMs(), UnknownMS: t.GetUnknownMs(),
	}
	if j.StopsByCause == nil {
		j.StopsByCause = map[string]int64{}
	}
	return j
}

func totalsRow(t *pb.MachineTotals) []string {
	hours := func(ms int64) string { return fmt.Sprintf("%.2f", float64(ms)/3.6e6) }
	open, run, lost := "", "?", "0"
	if t.GetOpenStop() {
		open = "yes"
	}
	if heard := t.GetRunMs() + t.GetStopMs(); heard > 0 {
		run = fmt.Sprintf("%.1fk", 100*float64(t.GetRunMs())/float64(heard))
	}
	if t.GetLostMax() > 0 {
		lost = fmt.Sprintf("%d to %d", t.GetLostMin(), t.GetLostMax())
	}
	return []string{
		t.GetMachine(), fmt.Sprintf("%dc", t.GetRevolutions()), fmt.Sprintf("%dc", t.GetStops()), open, kg(t.GetKilosCounted(), "c"),
		hours(t.GetRunMs()) + "c", hours(t.GetStopMs()) + "c", hours(t.GetUnknownMs()) + "?", run, lost,
	}
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
