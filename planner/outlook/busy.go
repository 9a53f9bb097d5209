package outlook

// busy is the number of stops expected until an order is done, on all its
// machines, and their stop rate over that of all machines of the mill, weighed
// by running time; 1 where nothing is known.
func (d *desk) busy(order string) (stops, level float64) {
	fleet := 0.0
	for i := range d.queues {
		fleet += d.queues[i].stopRate() / float64(len(d.queues))
	}
	minutes := 0.0
	d.parts(order, func(q *queue, i int) {
		todo, err := q.until(q.jobs[:i+1])
		if err != nil || q.jobs[i].kg <= 0 {
			return
		}
		stops += q.stopRate() * todo.RunMinutes
		minutes += todo.RunMinutes
	})
	if !(fleet > 0 && minutes > 0) {
		return stops, 1
	}
	return stops, stops / minutes / fleet
}

// stopRate is the mean number of stops in a minute of running.
func (q *queue) stopRate() float64 {
	rate := 0.0
	for _, s := range q.forecast.Stops() {
		rate += s.Rate.Mean
	}
	return rate
}
