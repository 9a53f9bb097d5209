package main

import (
	"turnwise/planner/knit"
)

type calcCardCmd struct {
	setupFlags
	explainFlag
	densityFlags
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
  planner calc card -f card.yaml --explain`
}

func (c *calcCardCmd) Run(s *session) error {
	if c.File == "" {
		return usage("the card is missing, expected its file; give -f card.yaml")
	}
	j, err := c.resolve(s)
	if err != nil {
		return err
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

// everything that the card has the numbers for.
func (j *job) everything(r *reckoning, d knit.Density) error {
	if err := j.kilos(r); err != nil {
		return err
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
