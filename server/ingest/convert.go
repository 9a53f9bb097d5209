package ingest

import (
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest/sealed"
	"turnwise/server/store"
)

// Batch turns a checked message into a batch of the store. A record that
// cannot be read becomes [store.Unreadable], so that the stream goes on.
func Batch(agent, machine string, b *wirepb.Batch, received time.Time) store.Batch {
	x := store.Batch{
		Agent: agent, Machine: machine, FirstSeq: b.GetFirstSeq(), HeadSeq: b.GetHeadSeq(), Received: received,
		Records: make([]store.Record, len(b.GetRecords())), Before: b.BeforeCrc32C,
		Clock: store.Clock{
			Boot: b.GetClock().GetBoot(), Boottime: b.GetClock().GetBoottimeNs(), Wall: b.GetClock().GetWallNs(), Synced: sealed.Synced(b.GetClock().GetQuality()),
			Server: store.ServerClock{
				Told: b.GetClock().GetServer() != nil, Measured: b.GetClock().GetServer().GetMeasured(),
				Offset: b.GetClock().GetServer().GetOffsetNs(), Error: b.GetClock().GetServer().GetErrorNs(),
			},
		},
	}
	copy(x.Stream[:], b.GetStreamId())
	copy(x.Run[:], b.GetRunId())
	if len(b.GetBoots()) > 0 {
		x.Boots = make(map[uint32]store.ID, len(b.GetBoots()))
	}
	for _, boot := range b.GetBoots() {
		var id store.ID
		copy(id[:], boot.GetBootId()) // also total for a message that did not check
		x.Boots[boot.GetIndex()] = id
	}
	for i, s := range b.GetRecords() {
		r, err := sealed.Record(s, b.GetFirstSeq()+uint64(i))
		if err != nil {
			r.Kind = &store.Unreadable{Reason: err.Error()}
		}
		x.Records[i] = r
	}
	return x
}

// Wire turns a batch of the store into a message and seals its records, for
// tools and tests that speak as an agent.
func Wire(b store.Batch) (*wirepb.Batch, error) {
	p := &wirepb.Batch{
		StreamId: b.Stream[:], FirstSeq: b.FirstSeq, RunId: b.Run[:], HeadSeq: b.HeadSeq, BeforeCrc32C: b.Before,
		Clock: &wirepb.AgentClock{Boot: b.Clock.Boot, BoottimeNs: b.Clock.Boottime, WallNs: b.Clock.Wall, Quality: wirepb.ClockQuality_CLOCK_QUALITY_FREE},
	}
	if b.Clock.Synced {
		p.Clock.Quality = wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED
	}
	if s := b.Clock.Server; s.Told {
		p.Clock.Server = &wirepb.ServerClock{Measured: s.Measured, OffsetNs: s.Offset, ErrorNs: s.Error}
	}
	for index, boot := range b.Boots {
		p.Boots = append(p.Boots, &wirepb.Boot{Index: index, BootId: boot[:]})
	}
	for i, r := range b.Records {
		r.Seq = b.FirstSeq + uint64(i)
		s, err := wire.Seal(p.StreamId, sealed.Wire(r))
		if err != nil {
			return nil, err
		}
		s.Coarse = r.Coarse
		p.Records = append(p.Records, s)
	}
	p.Crc32C = wire.BatchCRC(p)
	return p, nil
}
