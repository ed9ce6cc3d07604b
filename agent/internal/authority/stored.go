package authority

import (
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// A secret may be stored as it is, or in a form from which it cannot be read:
//
//	pbkdf2-sha256$ROUNDS$SALT$KEY
//
// PBKDF2 (RFC 8018, section 5.2) with HMAC-SHA-256, salt and key in unpadded
// base64.
const (
	storedForm = "pbkdf2-sha256$"
	// rounds of a new one: what the OWASP Password Storage Cheat Sheet says
	// for this form in 2023 (from memory).
	rounds     = 600_000
	leastRound = 10_000
	mostRound  = 10_000_000 // a typing error must not stop a gateway for hours
	saltLength = 16
)

// ErrShort says that a secret has fewer than 16 characters.
var ErrShort = fmt.Errorf("a secret needs at least %d characters", least)

// Stored is the form in which a secret may stand in its file. Each call gives
// another one, because the salt is new.
func Stored(secret string) (string, error) {
	if len(secret) < least {
		return "", ErrShort
	}
	salt := make([]byte, saltLength)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	return derive(secret, salt, rounds)
}

// IsStored reports whether a line is of that form, rather than a secret as it is.
func IsStored(line string) bool { return strings.HasPrefix(line, storedForm) }

// Fresh is a new secret: 128 random bits or more, as letters and digits.
func Fresh() string { return rand.Text() }

func derive(secret string, salt []byte, rounds int) (string, error) {
	key, err := pbkdf2.Key(sha256.New, secret, salt, rounds, sha256.Size)
	if err != nil {
		return "", err
	}
	text := base64.RawStdEncoding.EncodeToString
	return storedForm + strconv.Itoa(rounds) + "$" + text(salt) + "$" + text(key), nil
}

// parts takes a stored form apart. The error has nothing of it.
func parts(line string) (salt []byte, rounds int, err error) {
	bad := errors.New("it begins as the stored form and goes on otherwise: make it anew with strokebank secret")
	fields := strings.Split(strings.TrimPrefix(line, storedForm), "$")
	if len(fields) != 3 {
		return nil, 0, bad
	}
	rounds, err = strconv.Atoi(fields[0])
	salt, saltErr := base64.RawStdEncoding.DecodeString(fields[1])
	key, keyErr := base64.RawStdEncoding.DecodeString(fields[2])
	if err != nil || saltErr != nil || keyErr != nil || rounds < leastRound || rounds > mostRound || len(salt) < 8 || len(key) != sha256.Size {
		return nil, 0, bad
	}
	return salt, rounds, nil
}

// opens compares a secret with the line of a file, in a time that depends
// on neither.
func opens(line, given string) bool {
	if IsStored(line) {
		salt, rounds, err := parts(line)
		if err != nil {
			return false
		}
		if given, err = derive(given, salt, rounds); err != nil {
			return false
		}
	}
	held, asked := sha256.Sum256([]byte(line)), sha256.Sum256([]byte(given))
	return subtle.ConstantTimeCompare(held[:], asked[:]) == 1 && line != ""
}
