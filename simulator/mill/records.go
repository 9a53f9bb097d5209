package mill

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
)

// recordsMetric counts the records that the server stored since its start.
const recordsMetric = "turnwise_records_committed_total"

// records asks the server's metrics page how many records it stored since it
// was started.
func (d *Demo) records(ctx context.Context) (int64, error) {
	url := "http://" + d.host.Addrs().Metrics + "/metrics"
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return 0, fmt.Errorf("mill: ask for metrics: %w", err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, fmt.Errorf("mill: ask for metrics: %w", err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		if value, ok := strings.CutPrefix(lines.Text(), recordsMetric+" "); ok {
			n, err := strconv.ParseFloat(value, 64)
			if err != nil {
				return 0, fmt.Errorf("mill: metric %s is %q: %w", recordsMetric, value, err)
			}
			return int64(n), nil
		}
	}
	return 0, fmt.Errorf("mill: %s shows no metric %s", url, recordsMetric)
}
