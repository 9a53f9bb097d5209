package api

import (
	"context"
	"errors"

	"google.golang.org/protobuf/types/known/durationpb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

// errNoUpkeep says that this server does not know how its records are kept.
var errNoUpkeep = errors.New("how records are kept is not known here")

type upkeepService struct {
	*api
	pb.UnimplementedUpkeepServiceServer
}

func (s *upkeepService) GetUpkeep(ctx context.Context, _ *pb.GetUpkeepRequest) (*pb.GetUpkeepResponse, error) {
	if s.upkeep == nil {
		return nil, s.status.of("GetUpkeep", errNoUpkeep)
	}
	u, err := s.upkeep(ctx)
	if err != nil {
		return nil, s.status.of("GetUpkeep", err)
	}
	out := upkeepToPB(&u)
	out.BackupLate = u.BackupLate(s.now())
	return &pb.GetUpkeepResponse{Upkeep: out}, nil
}

func upkeepToPB(u *store.Upkeep) *pb.Upkeep {
	out := &pb.Upkeep{
		RecordCount: u.Records, DroppedCount: u.Dropped, OldestTime: stamp(u.Oldest), FileBytes: u.FileBytes, FreeBytes: u.FreeBytes, GivesBack: u.GivesBack,
		NextPruneTime: stamp(u.NextPrune), NextPruneCount: u.NextCount, BackupLimit: durationpb.New(u.BackupLimit),
	}
	if u.DiskFree >= 0 {
		out.DiskFreeBytes = &u.DiskFree
	}
	if u.Retain > 0 {
		out.RetainAge = durationpb.New(u.Retain)
	}
	if p := u.LastPrune; p != nil {
		out.LastPrune = &pb.Prune{Time: stamp(p.At), BeforeTime: stamp(p.Before), RecordCount: p.Records, GivenBytes: p.Given, Error: p.Error}
		for _, x := range p.Held {
			out.LastPrune.Held = append(out.LastPrune.Held, &pb.Held{Machine: "machines/" + x.Machine, Reason: x.Reason})
		}
	}
	if b := u.SetBack; b != nil {
		out.SetBack = &pb.SetBack{By: durationpb.New(b.By), SeenTime: stamp(b.Seen)}
		if b.Machine != "" {
			out.SetBack.Machine = "machines/" + b.Machine
		}
	}
	for _, c := range u.Backups {
		out.RecentBackups = append(out.RecentBackups, &pb.Copy{Time: stamp(c.Taken), File: c.File, Bytes: c.Bytes, RecordCount: c.Records})
	}
	if len(out.RecentBackups) > 0 {
		out.LastBackup = out.RecentBackups[0]
	}
	if !u.BackupFailed.IsZero() {
		out.FailedBackup = &pb.FailedCopy{Time: stamp(u.BackupFailed), Error: u.BackupFailure}
	}
	return out
}
