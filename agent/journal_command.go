package main

import (
	"cmp"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"turnwise/agent/edge"
	"turnwise/agent/journal"
)

// journalFlag names the folder of a journal.
type journalFlag struct {
	configFlag
	Dir string `placeholder:"FOLDER" help:"Folder of the journal, instead of the one in the configuration."`
}

func (f journalFlag) dir(w *world) (string, error) {
	if f.Dir != "" {
		return f.Dir, nil
	}
	if f.Config == "" {
		return "", fmt.Errorf("%w: which journal? give -c FILE or --dir FOLDER", errUsage)
	}
	c, _, err := edge.LoadConfig(f.Config, w.environ)
	if err != nil {
		return "", err
	}
	if c.Spool.Dir == "" {
		return "", fmt.Errorf("%w: spool.dir in %s is empty; give --dir FOLDER", errUsage, f.Config)
	}
	return c.Spool.Dir, nil
}

// streamRow is one machine's stream, for printing.
type streamRow struct {
	Machine string     `json:"machine"`
	Stream  string     `json:"stream"`
	First   uint64     `json:"first"`
	Head    uint64     `json:"head"`
	Acked   uint64     `json:"acked"`
	Horizon uint64     `json:"backed_up"`
	Held    uint64     `json:"held"`
	Waiting uint64     `json:"waiting"`
	Coarse  uint64     `json:"coarse"`
	InRow   uint64     `json:"in_tail_row"`
	Oldest  *time.Time `json:"oldest,omitempty"`
	Newest  *time.Time `json:"newest,omitempty"`
}

// journalReport is what status and verify print.
type journalReport struct {
	Dir      string      `json:"dir"`
	Process  string      `json:"opened_by_process,omitempty"`
	Rung     int         `json:"rung"`
	Room     string      `json:"room"`
	Ballast  int64       `json:"ballast_bytes"`
	Segments int         `json:"segments"`
	Bytes    int64       `json:"bytes"`
	Sessions uint64      `json:"sessions"`
	Boots    int         `json:"boots"`
	Streams  []streamRow `json:"streams"`
	Unsynced string      `json:"unsynced,omitempty"`
	Damage   []string    `json:"damage"`
	Refused  string      `json:"refused,omitempty"` // why no agent opens it
}

func report(in journal.Inspection) journalReport {
	r := journalReport{Dir: in.Dir, Process: in.Process, Rung: int(in.Rung), Room: in.Rung.String(), Ballast: in.Ballast, Segments: in.Segments, Bytes: in.Bytes, Sessions: in.Session, Boots: in.Boots,
		Streams: []streamRow{}, Damage: []string{}, Refused: in.Refused}
	for _, s := range in.Streams {
		row := streamRow{Machine: s.Machine, Stream: hex.EncodeToString(s.Stream[:]), First: s.First, Head: s.Head, Acked: s.Acked, Horizon: s.Horizon, Held: s.Held,
			Waiting: s.Head - min(s.Acked, s.Head) + s.InRow, Coarse: s.Coarse, InRow: s.InRow}
		if !s.Oldest.IsZero() {
			row.Oldest, row.Newest = &s.Oldest, &s.Newest
		}
		r.Streams = append(r.Streams, row)
	}
	for _, d := range in.Damage {
		r.Damage = append(r.Damage, d.String())
	}
	if in.Tail != nil {
		r.Unsynced = in.Tail.String()
	}
	return r
}

type statusCommand struct {
	journalFlag
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *statusCommand) Run(w *world) error {
	dir, err := c.dir(w)
	if err != nil {
		return err
	}
	in, err := journal.Inspect(dir, nil)
	if err != nil {
		return err
	}
	r := report(in)
	if c.JSON {
		return printJSON(w.out, r)
	}
	return table(w.out, func(t io.Writer) {
		fmt.Fprintf(t, "folder\t%s\nroom\t%s (rung %d of 5)\nballast bytes\t%d\nsegments\t%d\nbytes\t%d\nsessions\t%d\nboots\t%d\ndamaged places\t%d\n", r.Dir, r.Room, r.Rung, r.Ballast, r.Segments, r.Bytes, r.Sessions, r.Boots, len(r.Damage))
		if r.Process != "" {
			fmt.Fprintf(t, "opened last by process\t%s\n", r.Process)
		}
		if r.Refused != "" {
			fmt.Fprintf(t, "no agent opens it\t%s\n", r.Refused)
		}
		fmt.Fprintln(t, "\nMACHINE\tFIRST\tNEWEST\tHELD\tCOARSE\tWAITING\tACKED\tBACKED UP\tOLDEST\tNEWEST")
		for _, s := range r.Streams {
			fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%s\t%s\n", s.Machine, s.First, s.Head, s.Held, s.Coarse, s.Waiting, s.Acked, s.Horizon, stamp(s.Oldest), stamp(s.Newest))
		}
	})
}

func stamp(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return t.Format(time.RFC3339)
}

type verifyCommand struct {
	journalFlag
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *verifyCommand) Run(w *world) error {
	dir, err := c.dir(w)
	if err != nil {
		return err
	}
	in, err := journal.Inspect(dir, nil)
	if err != nil {
		return err
	}
	r := report(in)
	if c.JSON {
		err = printJSON(w.out, r)
	} else {
		err = r.verdict(w.out)
	}
	if err == nil && r.Refused != "" {
		fmt.Fprintf(w.errOut, "agent: no agent opens the journal in %s: %s; if a newer agent wrote it, run that one; else move the folder aside and start with an empty one, "+
			"the agent then begins new streams and the machines' counters carry the count\n", dir, r.Refused)
		return errSaid
	}
	if err == nil && len(r.Damage) > 0 {
		fmt.Fprintf(w.errOut, "agent: %d places of the journal in %s do not check; the agent declares their records to the server as lost, the counts follow from the records beside them\n", len(r.Damage), dir)
		err = errSaid
	}
	return err
}

func (r journalReport) verdict(out io.Writer) error {
	var held, rows uint64
	for _, s := range r.Streams {
		held, rows = held+s.Held, rows+s.InRow
	}
	var b strings.Builder
	for _, d := range r.Damage {
		fmt.Fprintln(&b, d)
	}
	if r.Unsynced != "" {
		fmt.Fprintf(&b, "at the end: %s\n", r.Unsynced)
	}
	if rows > 0 {
		fmt.Fprintf(&b, "%d more records wait in tail rows, merged and without a number\n", rows)
	}
	fmt.Fprintf(&b, "%d records of %d machines in %d segments read, %d places do not check\n", held, len(r.Streams), r.Segments, len(r.Damage))
	_, err := io.WriteString(out, b.String())
	return err
}

type exportCommand struct {
	journalFlag
	Machine string `placeholder:"ID" help:"Only this machine."`
	JSON    bool   `name:"json" help:"JSON lines, which is the only form there is."`
}

// exportLine is one record.
type exportLine struct {
	Machine string         `json:"machine"`
	Stream  string         `json:"stream"`
	Seq     uint64         `json:"seq"` // 0 in a tail row
	Time    time.Time      `json:"t"`   // as the agent believed it
	Boot    string         `json:"boot"`
	Segment string         `json:"segment"`
	Sound   bool           `json:"sound"`
	Record  map[string]any `json:"record"`
}

func (c *exportCommand) Run(w *world) error {
	dir, err := c.dir(w)
	if err != nil {
		return err
	}
	lines := json.NewEncoder(w.out)
	n := 0
	in, err := journal.Inspect(dir, func(e journal.Entry) error {
		if err := w.ctx.Err(); err != nil {
			return err
		}
		if c.Machine != "" && e.Machine != c.Machine {
			return nil
		}
		n++
		return lines.Encode(exportLine{
			Machine: e.Machine, Stream: hex.EncodeToString(e.Stream[:]), Seq: e.Record.GetSeq(), Time: time.Unix(0, e.Record.GetWallNs()).UTC(),
			Boot: hex.EncodeToString(e.Boot[:]), Segment: e.Segment, Sound: e.Sound, Record: plain(e.Record.ProtoReflect()),
		})
	})
	if err != nil {
		return err
	}
	if known := slices.ContainsFunc(in.Streams, func(s journal.StreamSummary) bool { return s.Machine == c.Machine }); c.Machine != "" && !known {
		var names []string
		for _, s := range in.Streams {
			names = append(names, s.Machine)
		}
		return fmt.Errorf("%w: the journal in %s has no machine %q; it has %s", errUsage, dir, c.Machine, cmp.Or(strings.Join(names, ", "), "none"))
	}
	fmt.Fprintf(w.errOut, "agent: %d records exported, %d places of the journal do not check\n", n, len(in.Damage))
	return nil
}

// plain gives a message as JSON likes it: names as in wire.proto, ids as
// hexadecimal digits, enumerations by name.
func plain(m protoreflect.Message) map[string]any {
	out := map[string]any{}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch f.Kind() {
		case protoreflect.BytesKind:
			out[string(f.Name())] = hex.EncodeToString(v.Bytes())
		case protoreflect.MessageKind:
			out[string(f.Name())] = plain(v.Message())
		case protoreflect.EnumKind:
			out[string(f.Name())] = int(v.Enum())
			if d := f.Enum().Values().ByNumber(v.Enum()); d != nil {
				out[string(f.Name())] = string(d.Name())
			}
		default:
			out[string(f.Name())] = v.Interface()
		}
		return true
	})
	return out
}
