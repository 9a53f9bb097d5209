package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"turnwise/planner/knit"
	"turnwise/planner/knit/chart"
)

type calcCardCmd struct {
	setupFlags
	explainFlag
	densityFlags
	SVG string `name:"svg" help:"Draw the repeat in loop notation into a file; - = standard output, in place of the figures." placeholder:"FILE.svg"`
}

// Help has examples.
func (*calcCardCmd) Help() string {
	return `A card is a YAML file; its feed groups have the keys of a card of the book, its machine those of the book's machines:

  id: sj-k01
  structure: single jersey          # or repeat: KM/MK MK/KM
  diameter_inch: 30
  gauge_npi: 28
  cylinder_needle_count: 2640       # and dial_needle_count
  feeder_count: 90
  speed_rpm: 28
  efficiency: 0.88
  roll_kg: 25
  feeds:
    - { id: ground, yarn: Ne 30/1, course_length_m: 7.26, cone_net_kg: 1.89 }

Further keys: article, machine, feeds_in_action, needles_in_work, dial_needles_in_work, waste_ratio, courses_per_cm,
wales_per_cm, stitches_state; in feeds lot, fibre, feeder_count, stitch_length_mm, draft, ends.

Examples:
  planner calc card -f card.yaml
  planner calc card -f card.yaml --explain
  planner calc card -f card.yaml --svg repeat.svg
  planner calc card --structure "K KT K TK" --svg -`
}

func (c *calcCardCmd) Run(s *session) error {
	if c.File == "" && c.SVG != "" && c.Structure != "" { // a picture needs no card
		p, err := knit.ReadProgram(c.Structure)
		if err != nil {
			return &exitError{exitUsage, fmt.Errorf("--structure: %w", err)}
		}
		return s.draw(p, c.Structure, c.SVG)
	}
	if c.File == "" {
		return usage("the card is missing, expected its file; give -f card.yaml")
	}
	j, err := c.resolve(s)
	if err != nil {
		return err
	}
	if c.SVG != "" {
		if len(j.setup.Program.Feeds) == 0 {
			return usage("--svg: the card has no repeat, expected its structure or notation; write structure or repeat in the card")
		}
		if err := s.draw(j.setup.Program, j.title(), c.SVG); err != nil || c.SVG == "-" {
			return err
		}
	}
	d, err := c.density(j)
	if err != nil {
		return err
	}
	var r reckoning
	if err := j.everything(&r, d); err != nil {
		return err
	}
	return s.reckoned(&r, c.Explain)
}

// title of the picture.
func (j *job) title() string {
	switch {
	case j.card.ID != "" && j.card.Structure != "":
		return j.card.ID + ", " + j.card.Structure
	case j.card.ID != "":
		return j.card.ID
	}
	return j.card.Structure
}

// draw writes the picture of a repeat, whole or not at all.
func (s *session) draw(p knit.Program, title, file string) error {
	picture, err := chart.SVG(p, chart.Options{Title: title})
	if err != nil {
		return &exitError{exitUsage, fmt.Errorf("--svg: %w", err)}
	}
	if file == "-" {
		_, err := fmt.Fprintln(s.out, picture)
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(file), ".repeat-*")
	if err != nil {
		return usage("--svg %s: %w; name a file in a folder that can be written", file, err)
	}
	_, err = fmt.Fprintln(f, picture)
	if err = errors.Join(err, f.Chmod(0o644), f.Close()); err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("--svg %s: %w", file, err), os.Remove(f.Name()))
	}
	return nil
}

// everything that the card has the numbers for.
func (j *job) everything(r *reckoning, d knit.Density) error {
	if err := j.kilos(r); err != nil {
		return err
	}
	if len(j.setup.Program.Feeds) > 0 {
		r.fact("repeat_words", "", chart.Describe(j.setup.Program))
	}
	if j.running.Speed != 0 {
		if j.card.RollKg != 0 {
			if err := j.roll(r, "", "", d); err != nil {
				return err
			}
		}
		if j.hasCones() {
			if err := j.cones(r, "", ""); err != nil {
				return err
			}
		}
	}
	if d != (knit.Density{}) {
		if err := j.fabric(r, r, d); err != nil {
			return err
		}
	}
	j.tightness(r)
	return nil
}

// hasCones says that every feed group has its cone.
func (j *job) hasCones() bool {
	for _, g := range j.card.Feeds {
		if g.ConeNetKg == 0 {
			return false
		}
	}
	return len(j.card.Feeds) == len(j.setup.Card.Feeds)
}
