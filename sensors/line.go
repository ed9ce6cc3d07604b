package sensors

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"strokebank/sensors/register"
)

// port is a serial port, or the connection to a converter in front of one.
type port interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// line asks over a serial line. It keeps the standard's silence between
// frames and drops whatever comes without having been asked for, but it cannot
// tell a late answer of a device from the next one that looks the same: its
// owner must not ask a device again while an answer of it may still come.
type line struct {
	port    port
	log     *slog.Logger
	timeout time.Duration // from the end of a request to the first character
	char    time.Duration // one character
	gap     time.Duration // silence between frames
	last    time.Time     // the line was last known to be busy
	text    []byte        // received and not yet understood
	space   [frameMost]byte
}

func newLine(l Link, p port, log *slog.Logger) *line {
	return &line{port: p, log: log.With("link", l.Name), timeout: l.Timeout,
		char: l.Line.chars(1), gap: l.Line.gap()}
}

// chars is how long n characters take: 11 bits each, MODBUS over Serial Line
// V1.02, clause 2.5.1.
func (l Line) chars(n int) time.Duration {
	return time.Duration(n) * 11 * time.Second / time.Duration(l.Baud)
}

// gap is the silence that parts two frames: 3.5 characters, above 19200 baud
// fixed at 1.750 ms: MODBUS over Serial Line V1.02, clause 2.5.1.1.
func (l Line) gap() time.Duration {
	if l.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 7 * l.chars(1) / 2
}

// slack is allowed for what a driver, a converter or a network adds between
// the characters of one frame.
const slack = 50 * time.Millisecond

// answerEnd is when an answer that has not come can come no more, counted
// from the end of its request.
func (l Link) answerEnd(r Request) time.Duration {
	return max(l.Line.WorstLatency, l.Timeout) + l.Line.chars(answerLength(r)) + slack
}

// longestAnswer is answerEnd of the longest read.
func (l Link) longestAnswer() time.Duration {
	return l.answerEnd(Request{Table: register.HoldingRegisters, Count: maxRegisters})
}

func (l *line) Close() error { return l.port.Close() }

func (l *line) ask(r Request) ([]uint16, error) {
	if err := l.settle(); err != nil {
		return nil, err
	}
	if err := l.send(askFrame(r)); err != nil {
		return nil, err
	}
	frame, err := l.receive(r)
	if err != nil {
		return nil, err
	}
	return valuesIn(frame, r)
}

// settle waits until nothing has been on the line for the gap between frames,
// and drops what was: it came before the question.
func (l *line) settle() error {
	began := time.Now()
	dropped := len(l.text)
	for {
		now := time.Now()
		if now.Sub(began) > l.timeout {
			return fmt.Errorf("the line does not fall silent: %w", errGarbled)
		}
		// Even where the silence is over: a look at what has come since.
		until := l.last.Add(l.gap)
		if least := now.Add(100 * time.Microsecond); until.Before(least) {
			until = least
		}
		l.text = l.text[:0]
		err := l.read(until)
		dropped += len(l.text)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			l.noteStray(dropped)
			l.text = l.text[:0]
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (l *line) noteStray(bytes int) {
	if bytes > 0 {
		l.log.Debug("characters on the line that nobody asked for", "count", bytes)
	}
}

func (l *line) send(frame []byte) error {
	now := time.Now()
	if err := l.port.SetWriteDeadline(now.Add(l.timeout)); err != nil {
		return err
	}
	_, err := l.port.Write(frame)
	// The driver takes the frame at once and sends it in its own time.
	l.last = now.Add(time.Duration(len(frame)) * l.char)
	return err
}

// read waits for characters until a moment.
func (l *line) read(until time.Time) error {
	if err := l.port.SetReadDeadline(until); err != nil {
		return err
	}
	n, err := l.port.Read(l.space[:])
	if n > 0 {
		l.text = append(l.text, l.space[:n]...)
		l.last = time.Now()
		return nil
	}
	return err // io.EOF, too, of a port that has vanished
}

// receive waits for the answer to a read: for its first character up to the
// timeout, for the rest as long as it takes at the line's speed. Frames that
// answer something else are dropped.
func (l *line) receive(r Request) ([]byte, error) {
	first := l.last.Add(l.timeout)
	end := first.Add(time.Duration(answerLength(r))*l.char + slack)
	var odd error // the device said something that does not fit
	for {
		until := end
		if len(l.text) == 0 {
			until = first
		}
		if err := l.read(until); errors.Is(err, os.ErrDeadlineExceeded) {
			return nil, l.silence(odd)
		} else if err != nil {
			return nil, err
		}
		for {
			n, err := firstFrame(l.text)
			if err != nil {
				return nil, err // what follows is dropped before the next question
			}
			if n == 0 {
				break
			}
			frame := l.text[:n:n]
			l.text = l.text[n:]
			if answers(frame, r) {
				return frame, nil
			}
			l.log.Debug("answer that nobody waits for", "device", frame[0], "function", frame[1])
			if frame[0] == r.Device {
				odd = fmt.Errorf("an answer of another kind than asked for: %w", errGarbled)
			}
		}
	}
}

// silence is the error of a wait that came to nothing.
func (l *line) silence(odd error) error {
	switch {
	case odd != nil:
		return odd
	case len(l.text) > 0:
		return fmt.Errorf("an answer that breaks off after %d characters: %w", len(l.text), errGarbled)
	default:
		return errNoAnswer
	}
}
