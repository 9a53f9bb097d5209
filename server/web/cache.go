package web

import (
	"context"
	"sync"
	"time"
)

const (
	pictureAge  = 900 * time.Millisecond // under the one second between two updates
	cachedPages = 128                    // different pages with queries at once
)

// A pictureCache draws each page once a second however many look at it. Its
// seconds are those of this computer, whatever clock the mill runs by.
type pictureCache struct {
	mu    sync.Mutex
	pages map[string]*cachedPicture
}

type cachedPicture struct {
	busy  chan struct{} // holds one token: whoever draws
	p     picture
	until time.Time
}

// get returns the picture of key, drawing it when it is too old. Only one
// caller draws; the others wait for it or for their ctx.
func (c *pictureCache) get(ctx context.Context, key string, draw func() (picture, error)) (picture, error) {
	e := c.entry(key)
	select {
	case e.busy <- struct{}{}:
		defer func() { <-e.busy }()
	case <-ctx.Done():
		return picture{}, ctx.Err()
	}
	if time.Now().Before(e.until) {
		return e.p, nil
	}
	began := time.Now()
	p, err := draw()
	if err != nil {
		return picture{}, err
	}
	p.drawn = began
	e.p, e.until = p, time.Now().Add(pictureAge)
	return p, nil
}

// forget drops every picture, after something was written: whoever pressed a
// button must see what it did.
func (c *pictureCache) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pages = nil
}

func (c *pictureCache) entry(key string) *cachedPicture {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.pages[key]; ok {
		return e
	}
	if c.pages == nil || len(c.pages) >= cachedPages {
		// Dropping all is as good as dropping the oldest: they live a second.
		c.pages = make(map[string]*cachedPicture)
	}
	e := &cachedPicture{busy: make(chan struct{}, 1)}
	c.pages[key] = e
	return e
}
