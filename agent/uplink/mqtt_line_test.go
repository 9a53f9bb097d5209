package uplink

import (
	"context"
	"errors"
	"net"
	"net/url"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	paho "github.com/eclipse/paho.mqtt.golang/packets"
)

// The line is lost right after the login: nobody reads any more, and nothing says
// so. The library takes two packets and holds the next call until its write limit.
// Whoever ends, or hears that the connection has ended, does not wait for it.
func TestSubscriptionOnALostLineIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		go func() { // the broker
			if _, err := paho.ReadPacket(theirs); err == nil {
				_ = paho.NewControlPacket(paho.Connack).Write(theirs)
			}
		}()
		c := &mqttConn{ended: make(chan struct{}), net: ours}
		c.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://named.only:1").SetClientID("u-01").
			SetKeepAlive(time.Hour).SetWriteTimeout(writeTimeout).SetAutoReconnect(false).
			SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return ours, nil }))
		if err := c.await(t.Context(), c.client.Connect(), connectTimeout); err != nil {
			t.Fatal(err)
		}
		leave := func(ctx context.Context, want error, after time.Duration) {
			t.Helper()
			began := time.Now()
			if err := c.subscribe(ctx, "filter"); !errors.Is(err, want) || time.Since(began) != after {
				t.Errorf("subscribe ended after %v with %v, want %v and %v", time.Since(began), err, after, want)
			}
		}
		for range 3 { // two on their way, and one that is held
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			leave(ctx, context.DeadlineExceeded, time.Second)
			cancel()
		}
		lost := errors.New("line lost")
		time.AfterFunc(2*time.Second, func() { c.end(lost) })
		leave(t.Context(), lost, 2*time.Second)
		c.hangUp()
		_ = theirs.Close()
		time.Sleep(writeTimeout) // then the library lets go what it held
	})
}
