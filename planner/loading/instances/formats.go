package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"turnwise/planner/loading"
)

const maxFile = 256 << 20

func read(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var r io.Reader = f
	head := make([]byte, 2)
	if n, _ := io.ReadFull(f, head); n == 2 && bytes.Equal(head, []byte{0x1f, 0x8b}) {
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return nil, err
		}
		if r, err = gzip.NewReader(f); err != nil {
			return nil, fmt.Errorf("%s: damaged gzip: %w", path, err)
		}
	} else if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	raw, err := io.ReadAll(io.LimitReader(r, maxFile+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: %w", path, err)
	case len(raw) > maxFile:
		return nil, fmt.Errorf("%s: more than %d bytes", path, maxFile)
	}
	return raw, nil
}

// base is the name of a file without its endings.
func base(path string) string {
	name := filepath.Base(path)
	for _, end := range []string{".gz", ".txt", ".instance", ".dat", ".json"} {
		name = strings.TrimSuffix(name, end)
	}
	return name
}

var formats = map[string]func(text string, o options) ([]instance, error){
	"orlib": orlib, "wtsds": wtsds, "upms": upms, "upmstwt": upmstwt, "mill": mill,
}

// numbers is a stream of whole numbers; the first trouble stays.
type numbers struct {
	words []string
	at    int
	err   error
}

func (s *numbers) next(what string) int64 {
	if s.err != nil {
		return 0
	}
	if s.at == len(s.words) {
		s.err = fmt.Errorf("ends before %s", what)
		return 0
	}
	v, err := strconv.ParseInt(s.words[s.at], 10, 64)
	if err != nil {
		s.err = fmt.Errorf("word %d is %q, expected a whole number for %s", s.at+1, s.words[s.at], what)
	}
	s.at++
	return v
}

func (s *numbers) list(n int, what string) []int64 {
	out := make([]int64, 0, n)
	for range n {
		out = append(out, s.next(what))
		if s.err != nil {
			return nil
		}
	}
	return out
}

func noSetup(n int) [][]int64 {
	rows := make([][]int64, n+1)
	none := make([]int64, n)
	for b := range rows {
		rows[b] = none
	}
	return rows
}

const maxJobs = 10000

func orlib(text string, o options) ([]instance, error) {
	words := strings.Fields(text)
	if o.jobs < 1 || o.jobs > maxJobs || len(words)%(3*o.jobs) != 0 {
		return nil, fmt.Errorf("%d numbers are not whole blocks of 3 x %d; give the jobs of an instance with -n", len(words), o.jobs)
	}
	s := &numbers{words: words}
	var out []instance
	for s.at < len(words) {
		k := len(out) + 1
		p := loading.Problem{Free: []int64{0}, Release: make([]int64, o.jobs), Setup: [][][]int64{noSetup(o.jobs)}}
		p.Time = [][]int64{s.list(o.jobs, fmt.Sprintf("a time of instance %d", k))}
		p.Weight = s.list(o.jobs, fmt.Sprintf("a weight of instance %d", k))
		p.Due = s.list(o.jobs, fmt.Sprintf("a due minute of instance %d", k))
		if s.err != nil {
			return nil, s.err
		}
		out = append(out, instance{name: k, problem: p, line: true})
	}
	return out, nil
}

func wtsds(text string, _ options) ([]instance, error) {
	p := loading.Problem{Free: []int64{0}, Time: [][]int64{nil}, Setup: [][][]int64{nil}}
	lists := map[string]*[]int64{"Process Times": &p.Time[0], "Weights": &p.Weight, "Duedates": &p.Due}
	section := ""
	set := 0
	for at, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if title, ok := strings.CutSuffix(line, ":"); ok {
			if section = title; section == "Setup Times" {
				n := len(p.Due)
				for range n + 1 {
					p.Setup[0] = append(p.Setup[0], make([]int64, n))
				}
			}
			continue
		}
		list, isList := lists[section]
		if line == "" || !isList && section != "Setup Times" || strings.HasPrefix(line, "End ") || strings.HasPrefix(line, "Begin ") {
			continue
		}
		s := &numbers{words: strings.Fields(line)}
		if isList {
			*list = append(*list, s.next(section))
		} else {
			b, j, v := s.next("the job before"), s.next("the job"), s.next("the set-up")
			if n := int64(len(p.Due)); s.err == nil && (b < -1 || b >= n || j < 0 || j >= n) {
				s.err = fmt.Errorf("jobs %d and %d, expected -1 and 0 to %d", b, j, n-1)
			}
			if s.err == nil {
				p.Setup[0][b+1][j] = v
				set++
			}
		}
		if s.err != nil || s.at != len(s.words) {
			return nil, fmt.Errorf("line %d, %s: %q: %v", at+1, section, line, s.err)
		}
	}
	n := len(p.Due)
	if n == 0 || len(p.Time[0]) != n || len(p.Weight) != n || set < n*n {
		return nil, fmt.Errorf("%d times, %d weights, %d due dates, %d set-ups, expected equal numbers and %d set-ups at least", len(p.Time[0]), len(p.Weight), n, set, n*n)
	}
	p.Release = make([]int64, n)
	return []instance{{problem: p, line: true}}, nil
}

func upms(text string, _ options) ([]instance, error) {
	head, matrices, ok := strings.Cut(text, "SSD")
	if !ok {
		return nil, fmt.Errorf("no line SSD before the set-ups")
	}
	s := &numbers{words: strings.Fields(head)}
	n, m := int(s.next("the number of jobs")), int(s.next("the number of machines"))
	s.next("the third number")
	s.next("the second line")
	if s.err == nil && (n < 1 || n > maxJobs || m < 1 || m > 2000) {
		s.err = fmt.Errorf("%d jobs on %d machines, expected 1 to %d and 1 to 2000", n, m, maxJobs)
	}
	if s.err != nil {
		return nil, s.err
	}
	p := loading.Problem{Goal: loading.LastEnd, Release: make([]int64, n), Due: make([]int64, n), Weight: make([]int64, n), Free: make([]int64, m)}
	p.Time, p.Setup = make([][]int64, m), make([][][]int64, m)
	for i := range m {
		p.Time[i] = make([]int64, n)
	}
	for j := range n {
		for range m {
			i := s.next("a machine")
			t := s.next("a time")
			if s.err == nil && (i < 0 || i >= int64(m)) {
				s.err = fmt.Errorf("job %d names machine %d, expected 0 to %d", j, i, m-1)
			}
			if s.err != nil {
				return nil, s.err
			}
			p.Time[i][j] = t
		}
	}
	words := strings.Fields(matrices)
	kept := words[:0]
	for _, w := range words {
		if !strings.HasPrefix(w, "M") {
			kept = append(kept, w)
		}
	}
	s = &numbers{words: kept}
	for i := range m {
		p.Setup[i] = append(p.Setup[i], make([]int64, n)) // none before the first job
		for range n {
			p.Setup[i] = append(p.Setup[i], s.list(n, fmt.Sprintf("a set-up of machine %d", i)))
		}
	}
	if s.err != nil {
		return nil, s.err
	}
	return []instance{{problem: p}}, nil
}

// upmstwt has no numbers of jobs and machines: m follows from the length,
// m n + n + m n n + 2 n, with n given.
func upmstwt(text string, o options) ([]instance, error) {
	words := strings.Fields(text)
	n := o.jobs
	if n == 0 {
		n = 100
	}
	m := (len(words) - 3*n) / (n + n*n)
	if n < 1 || n > maxJobs || m < 1 || m*(n+n*n)+3*n != len(words) {
		return nil, fmt.Errorf("%d numbers fit no number of machines with %d jobs; give the jobs with -n", len(words), n)
	}
	s := &numbers{words: words}
	p := loading.Problem{Free: make([]int64, m), Time: make([][]int64, m), Setup: make([][][]int64, m)}
	for i := range m {
		p.Time[i] = s.list(n, "a time")
	}
	p.Weight = s.list(n, "a weight")
	for i := range m {
		rows := make([][]int64, n+1)
		for b := range rows {
			rows[b] = make([]int64, n)
		}
		for to := range n {
			for from, v := range s.list(n, "a set-up") {
				rows[from+1][to] = v
			}
		}
		p.Setup[i] = rows
	}
	p.Due, p.Release = s.list(n, "a due minute"), s.list(n, "a ready minute")
	if s.err != nil {
		return nil, s.err
	}
	return []instance{{problem: p}}, nil
}

func mill(text string, _ options) ([]instance, error) {
	var cases []struct {
		Machines []struct {
			Available int64 `json:"available"`
		} `json:"machines"`
		Orders []struct {
			ID      int     `json:"id"`
			Weight  int64   `json:"weight"`
			Release int64   `json:"release"`
			Due     int64   `json:"due"`
			Minutes []int64 `json:"minutes"`
		} `json:"orders"`
		Setup     [][][]int64 `json:"setup"`
		SetupCost int64       `json:"setup_cost_per_minute"`
	}
	if err := json.Unmarshal([]byte(text), &cases); err != nil {
		return nil, err
	}
	var out []instance
	for k, c := range cases {
		in := instance{name: k + 1, problem: loading.Problem{Setup: c.Setup, SetupCost: c.SetupCost, Time: make([][]int64, len(c.Machines))}}
		p := &in.problem
		for _, m := range c.Machines {
			p.Free = append(p.Free, m.Available)
		}
		for _, order := range c.Orders {
			if len(order.Minutes) != len(c.Machines) {
				return nil, fmt.Errorf("case %d, order %d: minutes for %d of %d machines", k+1, order.ID, len(order.Minutes), len(c.Machines))
			}
			in.ids = append(in.ids, order.ID)
			p.Weight, p.Release, p.Due = append(p.Weight, order.Weight), append(p.Release, order.Release), append(p.Due, order.Due)
			for i, t := range order.Minutes {
				p.Time[i] = append(p.Time[i], t)
			}
		}
		out = append(out, in)
	}
	return out, nil
}
