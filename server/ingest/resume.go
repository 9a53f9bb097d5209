package ingest

import (
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

var resumeVerdicts = map[store.ResumeVerdict]wirepb.ResumeVerdict{
	store.ResumeContinue: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE,
	store.ResumeNothing:  wirepb.ResumeVerdict_RESUME_VERDICT_NOTHING,
	store.ResumeRefused:  wirepb.ResumeVerdict_RESUME_VERDICT_REFUSED,
}

// AbsenceAnswer is what the reader of a machine is told of how long ago an instant
// was that it asks for, sent at another one.
func AbsenceAnswer(q *wirepb.AbsenceRequest, longer time.Duration, now time.Time) *wirepb.Absence {
	return &wirepb.Absence{
		Machine: q.GetMachine(), StreamId: q.GetStreamId(), SinceNs: q.GetSinceNs(),
		AgeNs: max(now.UnixNano()-q.GetSinceNs(), 0), LongerAgoNs: int64(longer),
	}
}

// ResumeAnswer is what the reader of a machine is told of its counter, sent at
// an instant.
func ResumeAnswer(machine string, stream store.ID, got store.Resume, incarnation store.ID, now time.Time) *wirepb.Resume {
	m := &wirepb.Resume{
		Machine: machine, StreamId: stream[:], Verdict: resumeVerdicts[got.Verdict], Reason: got.Reason,
		DbIncarnation: incarnation[:], SentNs: now.UnixNano(),
	}
	if got.Verdict != store.ResumeContinue {
		return m
	}
	m.LifeId, m.Extended, m.Raw, m.RawBits, m.CountsPerRevolution = got.Life[:], got.Ext, got.Raw, got.RawBits, got.PerRev
	m.BootId, m.BoottimeNs = got.Boot[:], got.Boottime
	// A reader whose clock is placed a little late may have read after now.
	m.ReadingNs, m.LongerAgoNs = min(got.At.UnixNano(), m.SentNs), int64(got.Longer)
	if got.Stop != (store.ID{}) {
		m.StopId, m.StopCause, m.StopSide = got.Stop[:], got.Cause, got.Side
	}
	return m
}
