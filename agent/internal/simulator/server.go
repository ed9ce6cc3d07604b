package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Modbus exception codes.
const (
	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
	noGatewayTarget = 0x0B
)

const (
	maxClients  = 32                     // further ones are closed at once
	idleLimit   = 5 * time.Minute        // a silent client is dropped
	stepsReal   = 100 * time.Millisecond // between two steps of the plants
	maxWords    = 125
	maxBits     = 2000
	maxFrameLen = 260
)

// Server lets plants live in real time times a speed and serves them over
// Modbus TCP (Modbus Application Protocol V1.1b3 and its TCP form). It answers
// function codes 1 to 4 and refuses every other with exception 1.
type Server struct {
	listener net.Listener
	plants   map[uint8]*Plant
	speed    float64
	refused  atomic.Int64
	answered atomic.Int64
	slots    chan struct{}
}

// NewServer serves plants, told apart by their Device, on the listener, which
// it owns from then on. Speed is plant seconds per second; 0 leaves the
// stepping to the caller.
func NewServer(l net.Listener, speed float64, plants ...*Plant) (*Server, error) {
	s := &Server{listener: l, plants: map[uint8]*Plant{}, speed: speed, slots: make(chan struct{}, maxClients)}
	for _, p := range plants {
		if s.plants[p.build.Device] != nil {
			return nil, fmt.Errorf("simulator: two units with device id %d on %s", p.build.Device, l.Addr())
		}
		s.plants[p.build.Device] = p
	}
	return s, nil
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// Refused counts requests with a function code other than 1 to 4.
func (s *Server) Refused() int64 { return s.refused.Load() }

// Answered counts requests that got data.
func (s *Server) Answered() int64 { return s.answered.Load() }

// Run serves and steps until ctx ends, then closes every connection and
// returns nil once all its goroutines have ended.
func (s *Server) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	stop := context.AfterFunc(ctx, func() { s.listener.Close() })
	defer stop()
	if s.speed > 0 {
		wg.Go(func() { s.live(ctx) })
	}
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("simulator: accept on %s: %w", s.listener.Addr(), err)
		}
		select {
		case s.slots <- struct{}{}:
			wg.Go(func() {
				s.serve(ctx, conn)
				<-s.slots
			})
		default:
			conn.Close()
		}
	}
}

// live steps the plants. A machine too slow for the speed falls behind rather
// than catching up in one long step.
func (s *Server) live(ctx context.Context) {
	tick := time.NewTicker(stepsReal)
	defer tick.Stop()
	last := time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-tick.C:
			passed := min(now.Sub(last), 5*stepsReal)
			last = now
			for left := time.Duration(float64(passed) * s.speed); left > 0; left -= time.Second {
				for _, p := range s.plants {
					p.Step(min(left, time.Second))
				}
			}
		}
	}
}

// serve answers one client until it leaves, errs, or ctx ends.
func (s *Server) serve(ctx context.Context, conn net.Conn) {
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer func() {
		stop()
		conn.Close()
	}()
	buf := make([]byte, maxFrameLen)
	for {
		if err := conn.SetDeadline(time.Now().Add(idleLimit)); err != nil {
			return
		}
		unit, pdu, err := readFrame(conn, buf)
		if err != nil {
			return
		}
		answer, silent := s.answer(unit, pdu)
		if silent {
			continue
		}
		out := append(make([]byte, 0, 7+len(answer)), buf[:7]...)
		binary.BigEndian.PutUint16(out[4:], uint16(len(answer)+1))
		if _, err := conn.Write(append(out, answer...)); err != nil {
			return
		}
	}
}

var errFrame = errors.New("not a Modbus TCP frame")

// readFrame reads one frame into buf, which keeps its header in front.
func readFrame(r io.Reader, buf []byte) (unit uint8, pdu []byte, err error) {
	if _, err := io.ReadFull(r, buf[:7]); err != nil {
		return 0, nil, err
	}
	n := int(binary.BigEndian.Uint16(buf[4:]))
	if binary.BigEndian.Uint16(buf[2:]) != 0 || n < 2 || n+6 > maxFrameLen {
		return 0, nil, errFrame
	}
	pdu = buf[7 : 6+n]
	_, err = io.ReadFull(r, pdu)
	return buf[6], pdu, err
}

// answer is the PDU that answers a request; silent where the unit's link is
// lost.
func (s *Server) answer(unit uint8, pdu []byte) (out []byte, silent bool) {
	fc := pdu[0]
	except := func(code byte) []byte { return []byte{fc | 0x80, code} }
	if fc < 1 || fc > 4 {
		s.refused.Add(1)
		return except(illegalFunction), false
	}
	p := s.plants[unit]
	if p == nil {
		return except(noGatewayTarget), false
	}
	if p.Severity("link_lost") > 0 {
		return nil, true
	}
	if len(pdu) != 5 {
		return except(illegalValue), false
	}
	address, count := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	if count < 1 || count > maxBits || (fc > 2 && count > maxWords) {
		return except(illegalValue), false
	}
	data, ok := p.Image().read(Table(fc), address, count)
	if !ok {
		return except(illegalAddress), false
	}
	s.answered.Add(1)
	return append([]byte{fc, byte(len(data))}, data...), false
}

// read packs count values from address; false where one of them is a hole.
func (m Image) read(t Table, address, count int) ([]byte, bool) {
	if address+count > 1<<16 {
		return nil, false
	}
	if t > 2 {
		data := make([]byte, 0, 2*count)
		for i := range count {
			w, ok := m.Words[t][uint16(address+i)]
			if !ok {
				return nil, false
			}
			data = binary.BigEndian.AppendUint16(data, w)
		}
		return data, true
	}
	data := make([]byte, (count+7)/8)
	for i := range count {
		b, ok := m.Bits[t][uint16(address+i)]
		if !ok {
			return nil, false
		}
		if b {
			data[i/8] |= 1 << (i % 8)
		}
	}
	return data, true
}
