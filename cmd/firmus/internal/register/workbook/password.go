package workbook

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"crypto/subtle"
	"encoding/base64"
	"encoding/binary"
	"encoding/xml"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"

	"github.com/richardlehane/mscfb"
)

var errPassword = errors.New("another password")

// decrypt returns the workbook that text, a compound file, holds encrypted by [MS-OFFCRYPTO]
// (ECMA-376 has no encryption of its own): standard encryption (2.3.4.5 to 2.3.4.9) or agile
// encryption (2.3.4.10 to 2.3.4.15), by AES. The error is errPassword if the password is
// another one, and says what is wrong with the file otherwise. Agile encryption has a sum of
// all that is encrypted, so what is returned then is what was written.
func decrypt(text []byte, password string) (plain []byte, err error) {
	defer func() { // the container's reader trips over some that are damaged
		if r := recover(); r != nil {
			plain, err = nil, fmt.Errorf("its encryption can't be read: %v", r)
		}
	}()
	container, err := mscfb.New(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	parts := map[string][]byte{}
	for _, f := range container.File {
		if f.Name != "EncryptionInfo" && f.Name != "EncryptedPackage" {
			continue
		}
		if f.Size < 0 || f.Size > int64(len(text)) {
			return nil, fmt.Errorf("%s has %d bytes in a file of %d", f.Name, f.Size, len(text))
		}
		b := make([]byte, f.Size)
		if _, err := io.ReadFull(f, b); err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name, err)
		}
		parts[f.Name] = b
	}
	info, sealed := parts["EncryptionInfo"], parts["EncryptedPackage"]
	if len(info) < 8 || len(sealed) < 8 {
		return nil, errors.New("EncryptionInfo or EncryptedPackage is missing or too short")
	}
	major, minor := binary.LittleEndian.Uint16(info), binary.LittleEndian.Uint16(info[2:])
	switch {
	case major == 4 && minor == 4:
		plain, err = agile(info[8:], sealed, password)
	case major >= 2 && major <= 4 && minor == 2:
		plain, err = standard(info[8:], sealed[8:], password)
	default:
		err = fmt.Errorf("an encryption of version %d.%d, which Firmus can't open", major, minor)
	}
	if err != nil {
		return nil, err
	}
	// What follows fills the last block up.
	size := binary.LittleEndian.Uint64(sealed)
	if size > uint64(len(plain)) {
		return nil, fmt.Errorf("%d bytes are there of a workbook of %d", len(plain), size)
	}
	return plain[:size], nil
}

// standard opens what standard encryption sealed: info is what stands behind the version and
// the flags (2.3.4.5), sealed the workbook alone.
func standard(info, sealed []byte, password string) ([]byte, error) {
	var header struct{ Flags, Extra, Cipher, Hash, KeyBits, Provider, _, _ uint32 } // 2.3.2
	if len(info) < 4 {
		return nil, errors.New("the header of its encryption is too short")
	}
	size := binary.LittleEndian.Uint32(info)
	if n, err := binary.Decode(info[4:], binary.LittleEndian, &header); err != nil || uint64(size) < uint64(n) || uint64(size) > uint64(len(info)-4) {
		return nil, errors.New("the header of its encryption is too short")
	}
	var verifier struct { // 2.3.3
		SaltSize        uint32
		Salt, Encrypted [16]byte
		HashSize        uint32
		EncryptedHash   [32]byte
	}
	if _, err := binary.Decode(info[4+size:], binary.LittleEndian, &verifier); err != nil {
		return nil, errors.New("what tells whether the password is right is too short")
	}
	const aes128, aes192, aes256 = 0x660e, 0x660f, 0x6610
	if c := header.Cipher; c != aes128 && c != aes192 && c != aes256 || header.KeyBits != 128+(c-aes128)*64 || verifier.SaltSize != 16 || verifier.HashSize != sha1.Size {
		return nil, fmt.Errorf("cipher %#x with a key of %d bits, which Firmus can't open", header.Cipher, header.KeyBits)
	}
	h := sum(sha1.New, spun(sha1.New, verifier.Salt[:], password, 50000), counted(0)) // 2.3.4.7
	var key []byte
	for _, pad := range []byte{0x36, 0x5c} {
		b := bytes.Repeat([]byte{pad}, sha1.BlockSize)
		subtle.XORBytes(b, b, h)
		key = append(key, sum(sha1.New, b)...)
	}
	block, err := aes.NewCipher(key[:header.KeyBits/8])
	if err != nil {
		return nil, err
	}
	// Each block by itself (ECB), what is left over of the last one goes.
	open := func(b []byte) []byte {
		out := make([]byte, len(b)/aes.BlockSize*aes.BlockSize)
		for i := 0; i < len(out); i += aes.BlockSize {
			block.Decrypt(out[i:], b[i:])
		}
		return out
	}
	if !bytes.Equal(sum(sha1.New, open(verifier.Encrypted[:])), open(verifier.EncryptedHash[:])[:sha1.Size]) { // 2.3.4.9
		return nil, errPassword
	}
	return open(sealed), nil
}

// ciphering is how something is encrypted (2.3.4.10).
type ciphering struct {
	Salt     bytesIn64 `xml:"saltValue,attr"`
	KeyBits  int       `xml:"keyBits,attr"`
	Cipher   string    `xml:"cipherAlgorithm,attr"`
	Chaining string    `xml:"cipherChaining,attr"`
	Hash     string    `xml:"hashAlgorithm,attr"`
	hash     func() hash.Hash
}

type bytesIn64 []byte

func (b *bytesIn64) UnmarshalText(text []byte) (err error) {
	*b, err = base64.StdEncoding.AppendDecode(nil, bytes.TrimSpace(text))
	return err
}

func (c *ciphering) check() error {
	c.hash = map[string]func() hash.Hash{"SHA512": sha512.New, "SHA384": sha512.New384, "SHA256": sha256.New, "SHA1": sha1.New, "MD5": md5.New}[c.Hash]
	if c.hash == nil || c.Cipher != "AES" || c.Chaining != "ChainingModeCBC" || c.KeyBits != 128 && c.KeyBits != 192 && c.KeyBits != 256 {
		return fmt.Errorf("%s with %d bits, %s and %s, which Firmus can't open", c.Cipher, c.KeyBits, c.Chaining, c.Hash)
	}
	return nil
}

// long returns the first n bytes of b; what it lacks is 0x36 (2.3.4.11, 2.3.4.12).
func long(b []byte, n int) []byte {
	b = bytes.Clone(b)
	for len(b) < n {
		b = append(b, 0x36)
	}
	return b[:n]
}

// unchained decrypts b by AES in CBC mode (2.3.4.12, 2.3.4.15).
func unchained(key, first, b []byte) ([]byte, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	if len(b)%aes.BlockSize != 0 {
		return nil, fmt.Errorf("%d encrypted bytes are no whole blocks", len(b))
	}
	out := make([]byte, len(b))
	cipher.NewCBCDecrypter(block, long(first, aes.BlockSize)).CryptBlocks(out, b)
	return out, nil
}

// What each key is for (2.3.4.13, 2.3.4.14).
var (
	forInput = []byte{0xfe, 0xa7, 0xd2, 0x76, 0x3b, 0x4b, 0x9e, 0x79}
	forHash  = []byte{0xd7, 0xaa, 0x0f, 0x6d, 0x30, 0x61, 0x34, 0x4e}
	forKey   = []byte{0x14, 0x6e, 0x0b, 0xe7, 0xab, 0xac, 0xd0, 0xd6}
	forMAC   = []byte{0x5f, 0xb2, 0xad, 0x01, 0x0c, 0xb9, 0xe1, 0xf6}
	forSum   = []byte{0xa0, 0x67, 0x7f, 0x02, 0xb2, 0x2c, 0x84, 0x33}
)

// byPassword is the workbook's key, encrypted by one that comes from the password (2.3.4.10).
type byPassword struct {
	ciphering
	Spins uint32    `xml:"spinCount,attr"`
	Input bytesIn64 `xml:"encryptedVerifierHashInput,attr"`
	Shown bytesIn64 `xml:"encryptedVerifierHashValue,attr"`
	Key   bytesIn64 `xml:"encryptedKeyValue,attr"`
}

// key returns the workbook's key; errPassword if password is another one (2.3.4.13).
func (k *byPassword) key(password string) ([]byte, error) {
	if err := k.check(); err != nil {
		return nil, err
	}
	if k.Spins > 10_000_000 { // the most that 2.3.4.10 allows
		return nil, fmt.Errorf("a password that is hashed %d times", k.Spins)
	}
	h := spun(k.hash, k.Salt, password, k.Spins)
	var opened [3][]byte
	for i, part := range []struct{ what, sealed []byte }{{forInput, k.Input}, {forHash, k.Shown}, {forKey, k.Key}} {
		b, err := unchained(long(sum(k.hash, h, part.what), k.KeyBits/8), k.Salt, part.sealed)
		if err != nil {
			return nil, err
		}
		opened[i] = b
	}
	input, shown, key := opened[0], opened[1], opened[2]
	if len(input) < aes.BlockSize || len(shown) < k.hash().Size() || len(key) < k.KeyBits/8 {
		return nil, errors.New("what tells whether the password is right is too short")
	}
	// Of the input as much counts as the salt is long.
	if !bytes.Equal(sum(k.hash, input[:min(len(k.Salt), len(input))]), shown[:k.hash().Size()]) {
		return nil, errPassword
	}
	return key[:k.KeyBits/8], nil
}

// agile opens what agile encryption sealed: info is XML, sealed the workbook with its size
// before it.
func agile(info, sealed []byte, password string) ([]byte, error) {
	var x struct {
		Data      ciphering `xml:"keyData"`
		Integrity struct {
			Key   bytesIn64 `xml:"encryptedHmacKey,attr"`
			Value bytesIn64 `xml:"encryptedHmacValue,attr"`
		} `xml:"dataIntegrity"`
		Keys []struct {
			ByPassword *byPassword `xml:"http://schemas.microsoft.com/office/2006/keyEncryptor/password encryptedKey"`
		} `xml:"keyEncryptors>keyEncryptor"`
	}
	if err := xml.Unmarshal(info, &x); err != nil {
		return nil, err
	}
	if err := x.Data.check(); err != nil {
		return nil, err
	}
	var key []byte
	for _, k := range x.Keys {
		if k.ByPassword == nil { // by a certificate
			continue
		}
		var err error
		if key, err = k.ByPassword.key(password); err != nil {
			return nil, err
		}
		break
	}
	if key == nil {
		return nil, errors.New("no key is there that a password opens")
	}
	of := x.Data.hash
	first := func(what []byte) []byte { return sum(of, x.Data.Salt, what) } // 2.3.4.12
	mac, err := unchained(key, first(forMAC), x.Integrity.Key)
	if err != nil {
		return nil, err
	}
	want, err := unchained(key, first(forSum), x.Integrity.Value)
	if err != nil {
		return nil, err
	}
	n := of().Size()
	if len(mac) < n || len(want) < n {
		return nil, errors.New("the sum of what is encrypted is too short")
	}
	h := hmac.New(of, mac[:n])
	h.Write(sealed)
	if !hmac.Equal(h.Sum(nil), want[:n]) { // 2.3.4.14
		return nil, errors.New("what is encrypted isn't what was written")
	}
	const segment = 4096 // 2.3.4.15
	var plain []byte
	for i, b := range slices.Collect(slices.Chunk(sealed[8:], segment)) {
		b, err := unchained(key, first(counted(uint32(i))), b)
		if err != nil {
			return nil, err
		}
		plain = append(plain, b...)
	}
	return plain, nil
}

func sum(of func() hash.Hash, parts ...[]byte) []byte {
	h := of()
	for _, p := range parts {
		h.Write(p)
	}
	return h.Sum(nil)
}

// counted is n as it is hashed.
func counted(n uint32) []byte { return binary.LittleEndian.AppendUint32(nil, n) }

// spun is the password's hash, hashed again so many times (2.3.4.7, 2.3.4.11).
func spun(of func() hash.Hash, salt []byte, password string, spins uint32) []byte {
	h := of()
	h.Write(salt)
	h.Write(wide(password))
	b := make([]byte, 4, 4+sha512.Size)
	b = h.Sum(b)
	for i := range spins {
		binary.LittleEndian.PutUint32(b, i)
		h.Reset()
		h.Write(b)
		b = h.Sum(b[:4])
	}
	return b[4:]
}
