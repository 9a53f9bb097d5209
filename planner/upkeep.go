package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type upkeepCmd struct{}

// Help has an example.
func (*upkeepCmd) Help() string {
	return "A backup that is older than the limit is an alarm too, and makes the first line say so.\n\nExample:\n  planner upkeep --json | jq .backup_late"
}

// upkeepJSON is the upkeep as scripts read it.
type upkeepJSON struct {
	BackupLate  bool        `json:"backup_late"`
	BackupLimit float64     `json:"backup_limit_hours"`
	LastBackup  *copyJSON   `json:"last_backup"`
	Failed      *time.Time  `json:"failed_backup"`
	FailedError string      `json:"failed_backup_error"`
	Backups     []copyJSON  `json:"recent_backups"`
	Records     int64       `json:"records"`
	Dropped     int64       `json:"dropped_records"`
	Oldest      *time.Time  `json:"oldest"`
	FileBytes   int64       `json:"file_bytes"`
	FreeBytes   int64       `json:"free_bytes"`
	GivesBack   bool        `json:"gives_back"`
	DiskFree    *int64      `json:"disk_free_bytes"`
	RetainDays  *float64    `json:"retain_days"`
	NextPrune   *time.Time  `json:"next_prune"`
	NextCount   int64       `json:"next_prune_records"`
	LastPrune   *prunedJSON `json:"last_prune"`

	SetBack *setBackJSON `json:"clock_set_back"`
}

// setBackJSON is the newest setting back of the server's clock; machine is empty where
// the server saw it while it ran.
type setBackJSON struct {
	Seconds float64    `json:"seconds"`
	Seen    *time.Time `json:"seen"`
	Machine string     `json:"machine"`
}

type copyJSON struct {
	Taken   *time.Time `json:"taken"`
	File    string     `json:"file"`
	Bytes   int64      `json:"bytes"`
	Records int64      `json:"records"`
}

type prunedJSON struct {
	At      *time.Time `json:"at"`
	Before  *time.Time `json:"before"`
	Records int64      `json:"records"`
	Given   int64      `json:"given_back_bytes"`
	Held    []heldJSON `json:"held"`
	Error   string     `json:"error"`
}

type heldJSON struct {
	Machine string `json:"machine"`
	Reason  string `json:"reason"`
}

func copyFromPB(c *pb.Copy) copyJSON {
	return copyJSON{when(c.GetTime()), c.GetFile(), c.GetBytes(), c.GetRecordCount()}
}

func upkeepFromPB(u *pb.Upkeep) upkeepJSON {
	out := upkeepJSON{
		BackupLate: u.GetBackupLate(), BackupLimit: u.GetBackupLimit().AsDuration().Hours(), Backups: []copyJSON{}, Failed: when(u.GetFailedBackup().GetTime()), FailedError: u.GetFailedBackup().GetError(),
		Records: u.GetRecordCount(), Dropped: u.GetDroppedCount(), Oldest: when(u.GetOldestTime()), FileBytes: u.GetFileBytes(), FreeBytes: u.GetFreeBytes(), GivesBack: u.GetGivesBack(),
		DiskFree: u.DiskFreeBytes, NextPrune: when(u.GetNextPruneTime()), NextCount: u.GetNextPruneCount(),
	}
	for _, c := range u.GetRecentBackups() {
		out.Backups = append(out.Backups, copyFromPB(c))
	}
	if c := u.GetLastBackup(); c != nil {
		x := copyFromPB(c)
		out.LastBackup = &x
	}
	if b := u.GetSetBack(); b != nil {
		out.SetBack = &setBackJSON{b.GetBy().AsDuration().Seconds(), when(b.GetSeenTime()), strings.TrimPrefix(b.GetMachine(), "machines/")}
	}
	if age := u.GetRetainAge(); age != nil {
		days := age.AsDuration().Hours() / 24
		out.RetainDays = &days
	}
	if p := u.GetLastPrune(); p != nil {
		out.LastPrune = &prunedJSON{At: when(p.GetTime()), Before: when(p.GetBeforeTime()), Records: p.GetRecordCount(), Given: p.GetGivenBytes(), Held: []heldJSON{}, Error: p.GetError()}
		for _, h := range p.GetHeld() {
			out.LastPrune.Held = append(out.LastPrune.Held, heldJSON{strings.TrimPrefix(h.GetMachine(), "machines/"), h.GetReason()})
		}
	}
	return out
}

func (c *upkeepCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.upkeep().GetUpkeep(ctx, &pb.GetUpkeepRequest{})
	if err != nil {
		return s.explain(err)
	}
	u := upkeepFromPB(answer.GetUpkeep())
	l := listing{head: []string{"what", "how it is"}, data: u}
	s.backupRows(&l, &u)
	kept := fmt.Sprintf("%d", u.Records)
	if u.Oldest != nil {
		kept += " since " + s.clock(*u.Oldest)
	}
	l.add("records kept", kept)
	l.add("older ones, as sums only", fmt.Sprint(u.Dropped))
	file := fmt.Sprintf("%.1f MB, %.1f MB of it free", float64(u.FileBytes)/1e6, float64(u.FreeBytes)/1e6)
	if !u.GivesBack {
		file += "; it cannot give room back, server shrink makes it anew once"
	}
	l.add("file", file)
	if u.DiskFree != nil {
		l.add("free on its disk", fmt.Sprintf("%.1f MB", float64(*u.DiskFree)/1e6))
	}
	s.pruneRows(&l, &u)
	if b := u.SetBack; b != nil {
		at := ""
		if b.Machine != "" {
			at = " at " + strings.ToUpper(b.Machine)
		}
		l.add("server's clock", fmt.Sprintf("set back by %s, seen %s%s; turns near then may be told with bounds, see to its time service", ago(time.Duration(b.Seconds*float64(time.Second))), s.clock(*b.Seen), at))
	}
	return s.print(&l)
}

func (s *session) backupRows(l *listing, u *upkeepJSON) {
	state := "in time"
	if u.BackupLate {
		state = fmt.Sprintf("LATE: older than %.0f h", u.BackupLimit)
	}
	if c := u.LastBackup; c != nil {
		l.add("newest verified backup", fmt.Sprintf("%s, %s, %d records in %s", state, s.clock(*c.Taken), c.Records, c.File))
	} else {
		l.add("newest verified backup", state+", none was taken")
	}
	if u.Failed != nil {
		l.add("newest attempt", fmt.Sprintf("failed %s: %s", s.clock(*u.Failed), u.FailedError))
	}
}

func (s *session) pruneRows(l *listing, u *upkeepJSON) {
	switch {
	case u.RetainDays == nil:
		l.add("next prune", "records are kept for ever")
	case u.NextPrune == nil:
		l.add("next prune", fmt.Sprintf("of records older than %.0f days, none is planned", *u.RetainDays))
	default:
		l.add("next prune", fmt.Sprintf("%s, of records older than %.0f days, about %d at the most", s.clock(*u.NextPrune), *u.RetainDays, u.NextCount))
	}
	p := u.LastPrune
	if p == nil {
		l.add("newest prune", "none ended yet")
		return
	}
	ended := "good"
	if p.Error != "" {
		ended = "ended early: " + p.Error
	}
	l.add("newest prune", fmt.Sprintf("%s, %s, %d records dropped, %.1f MB given back", s.clock(*p.At), ended, p.Records, float64(p.Given)/1e6))
	for _, h := range p.Held {
		l.add("older records stay", h.Machine+": "+h.Reason)
	}
}
