package dashboard

import (
	"context"
	"errors"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/gorilla/websocket"

	"ventward/stream"
)

// liveLimits are the bounds of one viewer's connection.
type liveLimits struct {
	buffer int           // of the socket, bytes: a stalled viewer is noticed after this much
	write  time.Duration // deadline of a write
	ping   time.Duration // between pings
	read   time.Duration // without a pong for this long the viewer is gone
	limit  int64         // of a message from the viewer, bytes: none is expected
}

var defaultLimits = liveLimits{buffer: 64 << 10, write: 2 * time.Second, ping: 8 * time.Second, read: 20 * time.Second, limit: 512}

// live serves one viewer on the request's own goroutine, with one more that
// reads pongs. It ends when the viewer goes, is too slow, or the server stops.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	after, err := intQuery(r, "alarms_after", -1)
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error(), "give the id of the last alarm you know, or leave it out")
		return
	}
	if !websocket.IsWebSocketUpgrade(r) {
		problem(w, http.StatusUpgradeRequired, "this is a websocket", "connect with a websocket client, or ask /api/v1/state")
		return
	}
	s.viewers.Add(1)
	defer s.viewers.Done()
	if s.stop.Err() != nil {
		problem(w, http.StatusServiceUnavailable, "the program is stopping", "connect again when it runs")
		return
	}
	v, err := s.o.Hub.Join(after)
	if err != nil {
		problem(w, http.StatusServiceUnavailable, err.Error(), "close a page that nobody looks at")
		return
	}
	defer v.Leave()
	c, err := s.upgrade.Upgrade(w, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	defer c.Close()
	if t, ok := c.NetConn().(*net.TCPConn); ok {
		t.SetWriteBuffer(s.limits.buffer)
	}
	err = s.push(c, v)
	s.o.Log.Debug().Err(err).Str("viewer", r.RemoteAddr).Msg("viewer left")
}

// push writes to a viewer until it fails or ends.
func (s *Server) push(c *websocket.Conn, v *stream.Viewer) error {
	gone := make(chan struct{})
	go s.listen(c, gone)
	defer func() {
		c.Close()
		<-gone
	}()
	ping := time.NewTicker(s.limits.ping)
	defer ping.Stop()
	if err := s.write(c, websocket.TextMessage, s.hello); err != nil {
		return err
	}
	for {
		select {
		case <-gone:
			return nil
		case <-s.stop.Done():
			s.bye(c, websocket.CloseGoingAway, "the program is stopping")
			return context.Canceled
		case <-ping.C:
			if err := c.WriteControl(websocket.PingMessage, nil, time.Now().Add(s.limits.write)); err != nil {
				return err
			}
		case <-v.Wake():
			if err := s.drain(c, v); err != nil {
				return err
			}
		}
	}
}

// drain sends everything that waits for a viewer.
func (s *Server) drain(c *websocket.Conn, v *stream.Viewer) error {
	for s.stop.Err() == nil {
		m, ok, err := v.Take()
		switch {
		case errors.Is(err, stream.ErrSlow):
			s.bye(c, websocket.CloseTryAgainLater, "fell behind: connect again")
			return err
		case err != nil || !ok:
			return err
		case m.Envelope != nil:
			err = s.write(c, websocket.TextMessage, m.Envelope.Encoded(s.encode))
		default:
			err = s.write(c, websocket.BinaryMessage, m.Frame.Bytes())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// write sends one message. A long one, as a late joiner gets, may take longer:
// at least 128 KiB/s.
func (s *Server) write(c *websocket.Conn, kind int, p []byte) error {
	more := time.Duration(len(p)) * time.Second / (128 << 10)
	if err := c.SetWriteDeadline(time.Now().Add(s.limits.write + more)); err != nil {
		return err
	}
	return c.WriteMessage(kind, p)
}

func (s *Server) bye(c *websocket.Conn, code int, why string) {
	// The viewer may be gone already; then there is nobody to tell.
	_ = c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, why), time.Now().Add(s.limits.write))
}

// listen reads until the viewer is gone, so that pongs and closes are seen.
// What a viewer sends is thrown away.
func (s *Server) listen(c *websocket.Conn, gone chan<- struct{}) {
	defer close(gone)
	c.SetReadLimit(s.limits.limit)
	c.SetReadDeadline(time.Now().Add(s.limits.read))
	c.SetPongHandler(func(string) error { return c.SetReadDeadline(time.Now().Add(s.limits.read)) })
	for {
		if _, _, err := c.ReadMessage(); err != nil {
			return
		}
	}
}

// encode writes an envelope as JSON; an envelope that can't be written is a
// fault of this program, which viewers are told and the log keeps.
func (s *Server) encode(e *stream.Envelope) []byte {
	b, err := encodeEnvelope(e, s.o.Hub.Channels())
	if err != nil {
		s.o.Log.Error().Err(err).Str("kind", string(e.Kind)).Msg("a live message could not be written")
		return []byte(`{"type":"fault","detail":` + strconv.Quote("a "+string(e.Kind)+" message could not be written") + `}`)
	}
	return b
}
