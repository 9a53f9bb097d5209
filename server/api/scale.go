package api

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// mostRolls is how many rolls one reading may weigh together.
const mostRolls = 500

func readingFromPB(r *pb.RecordReadingRequest, now time.Time) (store.Reading, violations) {
	var v violations
	x := store.Reading{
		Machine: machineID("machine", r.GetMachine(), &v), Group: text("feed_group", r.GetFeedGroup(), &v),
		Lot: strings.TrimPrefix(text("lot", r.GetLot(), &v), "lots/"), SD: finite("reading_sd", r.GetReadingSd(), 0, 0.5, &v),
		RequestID: required(r, &v), At: instant("reading_time", r.GetReadingTime(), &v), Turns: r.GetRevolutionCount(),
	}
	switch {
	case x.At.IsZero():
		x.At = now
	case x.At.After(now.Add(time.Minute)):
		v.add("reading_time", "is still to come, expected when it was measured; set the clock")
	}
	switch r.GetKind() {
	case pb.ReadingKind_READING_KIND_METER:
		x.Kind, x.Measured = store.ReadMeter, finite("length_m", r.GetLengthM(), 0, 1e9, &v)
		if r.GetRollCount() != 0 || r.GetRollNumber() != 0 {
			v.add("roll_count", "is for rolls, and a meter was read")
		}
	case pb.ReadingKind_READING_KIND_ROLLS:
		x.Kind, x.Measured = store.ReadRolls, finite("net_kg", r.GetNetKg(), 0, mostKg, &v)
		x.Rolls, x.Roll = max(1, whole("roll_count", int64(r.GetRollCount()), 0, mostRolls, &v)), r.GetRollNumber()
		if r.GetNetKg() == 0 { // below 0 is told already
			v.add("net_kg", "is not above 0; weigh without tube, wrapping and trolley")
		}
		if x.Roll < 0 || x.Roll > 0 && int64(x.Rolls) > x.Roll {
			v.add("roll_number", fmt.Sprintf("is %d for %d rolls, expected the number of the last of them", x.Roll, x.Rolls))
		}
	default:
		v.add("kind", "is not one of METER and ROLLS")
	}
	if fewest := int64(1); x.Turns < 0 || x.Turns > 1e9 || x.Kind == store.ReadMeter && x.Turns < fewest {
		v.add("revolution_count", fmt.Sprintf("is %d, expected 1 to 1e9: the turns over which it was measured; of rolls 0 takes those between their doffs", x.Turns))
	}
	return x, v
}

func (s *creelService) RecordReading(ctx context.Context, r *pb.RecordReadingRequest) (*pb.RecordReadingResponse, error) {
	reading, v := readingFromPB(r, s.now())
	if err := v.err(); err != nil {
		return nil, err
	}
	view, err := s.floor.TellReading(ctx, reading, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("RecordReading", err)
	}
	reading = view.Reading
	out := &pb.RecordReadingResponse{Ratio: view.Over, Reading: readingToPB(&view), Lessons: lessonsToPB(s.floor.Lessons(reading.Machine, reading.Group))}
	ratios, err := s.floor.Ratios(ctx)
	if err != nil {
		return nil, s.status.of("RecordReading", err)
	}
	for i := range ratios {
		if x := &ratios[i]; x.Machine == reading.Machine && x.Article == view.Article && reading.Kind == store.ReadRolls {
			out.ScaleRatio = scaleRatioToPB(x)
		}
	}
	return out, nil
}

func readingToPB(v *floor.ReadingView) *pb.Reading {
	out := &pb.Reading{
		Machine: v.Machine, FeedGroup: v.Group, Lot: v.Lot, ReadingTime: stamp(v.At), RevolutionCount: v.Turns, RollCount: int32(v.Rolls), RollNumber: v.Roll,
		Ratio: v.Over, ReadingSd: v.SD, Order: v.Order, Article: v.Article,
	}
	if v.ID != 0 {
		out.Name = fmt.Sprintf("machines/%s/readings/%d", v.Machine, v.ID)
	}
	if v.Kind == store.ReadMeter {
		out.Kind, out.LengthM = pb.ReadingKind_READING_KIND_METER, v.Measured
		return out
	}
	out.Kind = pb.ReadingKind_READING_KIND_ROLLS
	out.NetKg = figure(v.Measured, unitKg, pb.Provenance_PROVENANCE_WEIGHED, v.At)
	if v.Calculated > 0 {
		out.CountedKg = figure(v.Calculated, unitKg, pb.Provenance_PROVENANCE_COUNTED, v.At)
	}
	return out
}

func (s *creelService) ListReadings(_ context.Context, r *pb.ListReadingsRequest) (*pb.ListReadingsResponse, error) {
	var v violations
	machine := ""
	if r.GetMachine() != "" {
		machine = machineID("machine", r.GetMachine(), &v)
	}
	size := pageSize(r.GetPageSize(), &v)
	scope := "readings " + machine
	after := parseToken(scope, r.GetPageToken(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	if machine != "" {
		if err := s.knows("ListReadings", machine); err != nil {
			return nil, err
		}
	}
	all := s.floor.Readings(machine)
	if after != "" { // newest first: those that came before the last one sent
		for i := range all {
			if strconv.FormatInt(all[i].ID, 10) == after {
				all = all[i+1:]
				break
			}
		}
	}
	out := &pb.ListReadingsResponse{}
	for i := range all {
		if i == size {
			out.NextPageToken = token(scope, strconv.FormatInt(all[i-1].ID, 10))
			break
		}
		out.Readings = append(out.Readings, readingToPB(&all[i]))
	}
	return out, nil
}

func (s *creelService) UndoReading(ctx context.Context, r *pb.UndoReadingRequest) (*pb.UndoReadingResponse, error) {
	var v violations
	name := text("name", r.GetName(), &v)
	machine, _, _ := strings.Cut(strings.TrimPrefix(name, "machines/"), "/readings/")
	id, ok := floor.ReadingID(name)
	if !ok || name != fmt.Sprintf("machines/%s/readings/%d", machine, id) {
		v.add("name", fmt.Sprintf("is %q, expected machines/ID/readings/NUMBER", cut(name)))
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if err := s.floor.UndoReading(ctx, machine, id); err != nil {
		return nil, s.status.of("UndoReading", err)
	}
	return &pb.UndoReadingResponse{}, nil
}

func (s *creelService) ListScaleRatios(ctx context.Context, r *pb.ListScaleRatiosRequest) (*pb.ListScaleRatiosResponse, error) {
	var v violations
	machines := machineIDs("machines", r.GetMachines(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	if err := s.knows("ListScaleRatios", machines...); err != nil {
		return nil, err
	}
	all, err := s.floor.Ratios(ctx)
	if err != nil {
		return nil, s.status.of("ListScaleRatios", err)
	}
	out := &pb.ListScaleRatiosResponse{}
	out.RatioLow, out.RatioHigh = s.floor.RatioLimits()
	if s.desk != nil {
		out.MinRolls = int32(s.desk.MinRolls())
	}
	for i := range all {
		if len(machines) == 0 || slices.Contains(machines, all[i].Machine) {
			out.Ratios = append(out.Ratios, scaleRatioToPB(&all[i]))
		}
	}
	return out, nil
}

func scaleRatioToPB(v *floor.RatioView) *pb.ScaleRatio {
	return &pb.ScaleRatio{
		Machine: v.Machine, Article: v.Article, Running: v.Running, RollCount: int32(v.Rolls), UsedRollCount: int32(v.Used),
		CountedKg: figure(v.CountedKg, unitKg, pb.Provenance_PROVENANCE_COUNTED, v.Newest),
		WeighedKg: figure(v.WeighedKg, unitKg, pb.Provenance_PROVENANCE_WEIGHED, v.Newest),
		Ratio:     v.Ratio, RatioLow: v.Low, RatioHigh: v.High, Sentence: v.Sentence, NewestTime: stamp(v.Newest), NewestRatios: v.Each,
	}
}
