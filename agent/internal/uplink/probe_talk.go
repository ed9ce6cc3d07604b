package uplink

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
)

// The packets that a probe needs, with their flags (MQTT 5, section 2.1).
const (
	connectPacket    = 0x10
	connackPacket    = 0x20
	publishPacket    = 0x32 // QoS 1
	pubackPacket     = 0x40
	disconnectPacket = 0xe0

	mostPacket = 64 << 10 // bytes that are read of one
)

// talk is one conversation with a broker.
type talk struct {
	conn  net.Conn
	level byte // 4: MQTT 3.1.1; 5
}

// logIn sends CONNECT and reads CONNACK.
func (t *talk) logIn(user, password string) error {
	const clean, withUser, withPassword = 0x02, 0x80, 0x40
	flags, fields := byte(clean), [][]byte{[]byte(root + "-inspect-" + rand.Text()[:8])}
	if user != "" {
		flags, fields = flags|withUser, append(fields, []byte(user))
	}
	if password != "" {
		flags, fields = flags|withPassword, append(fields, []byte(password))
	}
	var b bytes.Buffer
	put(&b, []byte("MQTT"))
	b.Write([]byte{t.level, flags, 0, 30}) // keep alive, s
	t.noProperties(&b)
	for _, f := range fields {
		put(&b, f)
	}
	answer, err := t.ask(connectPacket, b.Bytes(), connackPacket, 2)
	if err != nil {
		return err
	}
	return t.refusal(answer[1])
}

// refusal is what a CONNACK's code says (MQTT 5, table 3-1; 3.1.1, table 3.1).
func (t *talk) refusal(code byte) error {
	if t.level == 5 && (code == 1 || code == 0x84) {
		return errVersion
	}
	words := map[byte]string{0x85: "the client identifier is refused", 0x86: "user or password is wrong", 0x87: "not authorised",
		0x88: "the broker is not available", 0x89: "the broker is busy", 0x8a: "banned", 0x9f: "too many connections"}
	if t.level == 4 {
		words = map[byte]string{1: errVersion.Error(), 2: "the client identifier is refused", 3: "the broker is not available",
			4: "user or password is wrong", 5: "not authorised"}
	}
	if code == 0 {
		return nil
	}
	if word, ok := words[code]; ok {
		return errors.New(word)
	}
	return fmt.Errorf("refused with code 0x%02x", code)
}

// publish sends one message with QoS 1 and reads what becomes of it.
func (t *talk) publish(topic string, payload []byte) error {
	var b bytes.Buffer
	put(&b, []byte(topic))
	b.Write([]byte{0, 1})
	t.noProperties(&b)
	b.Write(payload)
	answer, err := t.ask(publishPacket, b.Bytes(), pubackPacket, 2)
	switch {
	case err != nil:
		return err
	case len(answer) < 3 || answer[2] < 0x80:
		return nil
	case answer[2] == 0x87:
		return ErrForbidden
	}
	return fmt.Errorf("refused with code 0x%02x", answer[2])
}

func (t *talk) noProperties(b *bytes.Buffer) {
	if t.level == 5 {
		b.WriteByte(0)
	}
}

// ask sends a packet and reads the one that answers it, of least bytes.
func (t *talk) ask(kind byte, body []byte, want byte, least int) ([]byte, error) {
	head := append([]byte{kind}, length(len(body))...)
	if _, err := t.conn.Write(append(head, body...)); err != nil {
		return nil, err
	}
	got, answer, err := t.read()
	if err != nil {
		return nil, fmt.Errorf("closed without an answer: %w", err)
	}
	if got&0xf0 == disconnectPacket && len(answer) > 0 {
		return nil, fmt.Errorf("the broker leaves with code 0x%02x", answer[0])
	}
	if got&0xf0 != want || len(answer) < least {
		return nil, errors.New("what answers is no MQTT broker")
	}
	return answer, nil
}

func (t *talk) read() (kind byte, body []byte, err error) {
	var one [1]byte
	next := func() (byte, error) {
		_, err := io.ReadFull(t.conn, one[:])
		return one[0], err
	}
	if kind, err = next(); err != nil {
		return 0, nil, err
	}
	n, shift := 0, 0
	for {
		b, err := next()
		if err != nil {
			return 0, nil, err
		}
		n |= int(b&0x7f) << shift
		if shift += 7; b < 0x80 {
			break
		} else if shift > 21 {
			return 0, nil, errors.New("a malformed length")
		}
	}
	if n > mostPacket {
		return 0, nil, errors.New("a packet far too long")
	}
	body = make([]byte, n)
	_, err = io.ReadFull(t.conn, body)
	return kind, body, err
}

// put writes a field with its length before it (MQTT 5, section 1.5.4).
func put(b *bytes.Buffer, field []byte) {
	b.Write([]byte{byte(len(field) >> 8), byte(len(field))})
	b.Write(field)
}

// length is a remaining length (MQTT 5, section 1.5.5).
func length(n int) (out []byte) {
	for {
		b := byte(n & 0x7f)
		if n >>= 7; n == 0 {
			return append(out, b)
		}
		out = append(out, b|0x80)
	}
}
