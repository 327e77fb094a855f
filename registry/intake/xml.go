package intake

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

// xmlScanner reads the tags of a part of a workbook one after another, with
// little memory. It knows what the parts of workbooks use: elements,
// attributes, entities, CDATA; comments and declarations are passed over and
// name prefixes dropped.
type xmlScanner struct {
	r      *bufio.Reader
	closer io.Closer
	kind   int
	name   string
	empty  bool // <c/>: no end follows
	depth  int
	tag    []byte
	text   []byte
	names  map[string]string
}

const (
	xmlStart = iota + 1
	xmlEnd
)

const maxToken = 1 << 20 // a cell holds at most 32,767 characters

var errXML = errors.New("not well-formed")

func newXMLScanner(r io.Reader, c io.Closer) *xmlScanner {
	return &xmlScanner{r: bufio.NewReaderSize(r, 1<<16), closer: c, names: map[string]string{}}
}

func (s *xmlScanner) close() error { return s.closer.Close() }

// next moves to the next start or end tag; ok is false at the end.
func (s *xmlScanner) next() (ok bool, err error) {
	for {
		if err := s.skipTo('<'); err != nil {
			if err == io.EOF && s.depth == 0 {
				return false, nil
			}
			return false, errXML
		}
		if err := s.readTag(); err != nil {
			return false, err
		}
		if len(s.tag) == 0 {
			return false, errXML
		}
		switch s.tag[0] {
		case '?', '!':
			continue
		case '/':
			s.kind, s.empty = xmlEnd, false
			s.name = s.intern(bytes.TrimSpace(s.tag[1:]))
			s.depth--
			if s.depth < 0 {
				return false, errXML
			}
			return true, nil
		}
		s.kind = xmlStart
		s.empty = s.tag[len(s.tag)-1] == '/'
		if s.empty {
			s.tag = s.tag[:len(s.tag)-1]
		} else {
			s.depth++
		}
		name := s.tag
		if i := bytes.IndexAny(name, " \t\r\n"); i >= 0 {
			name = name[:i]
		}
		s.name = s.intern(name)
		return true, nil
	}
}

// intern returns the local name as a string without a new one each time.
func (s *xmlScanner) intern(name []byte) string {
	if i := bytes.IndexByte(name, ':'); i >= 0 {
		name = name[i+1:]
	}
	if known, ok := s.names[string(name)]; ok {
		return known
	}
	n := string(name)
	if len(s.names) < 1000 {
		s.names[n] = n
	}
	return n
}

func (s *xmlScanner) skipTo(c byte) error {
	for {
		_, err := s.r.ReadSlice(c)
		if err != bufio.ErrBufferFull {
			return err
		}
	}
}

// readTag reads what lies between < and >, quotes respected, comments and
// CDATA as one tag.
func (s *xmlScanner) readTag() error {
	s.tag = s.tag[:0]
	for {
		part, err := s.r.ReadSlice('>')
		s.tag = append(s.tag, part...)
		if len(s.tag) > maxToken {
			return errXML
		}
		if err == bufio.ErrBufferFull {
			continue
		}
		if err != nil {
			return errXML
		}
		t := s.tag[:len(s.tag)-1]
		switch {
		case bytes.HasPrefix(t, []byte("!--")):
			if len(t) < 5 || !bytes.HasSuffix(t, []byte("--")) {
				continue
			}
		case bytes.HasPrefix(t, []byte("![CDATA[")):
			if !bytes.HasSuffix(t, []byte("]]")) {
				continue
			}
		case bytes.Count(t, []byte{'"'})%2 == 1 || bytes.IndexByte(t, '"') < 0 && bytes.Count(t, []byte{'\''})%2 == 1:
			continue
		case bytes.HasPrefix(t, []byte("!DOCTYPE")):
			return errXML // no workbook has one, and entities of one's own are a trap
		}
		s.tag = t
		return nil
	}
}

// attr returns an attribute of the current start tag, whatever its prefix; ""
// if there is none.
func (s *xmlScanner) attr(name string) string {
	t := s.tag
	for {
		i := bytes.Index(t, []byte(name))
		if i < 0 {
			return ""
		}
		rest := bytes.TrimLeft(t[i+len(name):], " ")
		before := byte(0)
		if i > 0 {
			before = t[i-1]
		}
		if len(rest) < 2 || rest[0] != '=' || strings.IndexByte(" \t\r\n:", before) < 0 {
			t = t[i+len(name):]
			continue
		}
		rest = bytes.TrimLeft(rest[1:], " ")
		if len(rest) == 0 {
			return ""
		}
		j := bytes.IndexByte(rest[1:], rest[0])
		if j < 0 {
			return ""
		}
		value := rest[1 : 1+j]
		if bytes.IndexByte(value, '&') < 0 {
			return string(value)
		}
		return string(appendUnescaped(nil, value))
	}
}

// textOf returns the text of the current element up to its end tag, which it
// passes.
func (s *xmlScanner) textOf() ([]byte, error) {
	s.text = s.text[:0]
	depth := s.depth
	for {
		from := len(s.text)
		for {
			part, err := s.r.ReadSlice('<')
			s.text = append(s.text, part...)
			if len(s.text) > maxToken {
				return nil, errXML
			}
			if err == nil {
				break
			}
			if err != bufio.ErrBufferFull {
				return nil, errXML
			}
		}
		s.text = s.text[:len(s.text)-1]
		if bytes.IndexByte(s.text[from:], '&') >= 0 {
			raw := append([]byte(nil), s.text[from:]...)
			s.text = appendUnescaped(s.text[:from], raw)
		}
		if err := s.readTag(); err != nil {
			return nil, err
		}
		switch {
		case bytes.HasPrefix(s.tag, []byte("![CDATA[")):
			s.text = append(s.text, s.tag[8:len(s.tag)-2]...)
		case len(s.tag) > 0 && s.tag[0] == '/':
			s.depth--
			if s.depth < depth {
				return s.text, nil
			}
		case len(s.tag) > 0 && s.tag[0] != '!' && s.tag[0] != '?' && s.tag[len(s.tag)-1] != '/':
			s.depth++
		}
	}
}

func appendUnescaped(to, raw []byte) []byte {
	for len(raw) > 0 {
		i := bytes.IndexByte(raw, '&')
		if i < 0 {
			return append(to, raw...)
		}
		to = append(to, raw[:i]...)
		raw = raw[i:]
		j := bytes.IndexByte(raw, ';')
		if j < 0 {
			return append(to, raw...)
		}
		switch entity := string(raw[1:j]); {
		case entity == "lt":
			to = append(to, '<')
		case entity == "gt":
			to = append(to, '>')
		case entity == "amp":
			to = append(to, '&')
		case entity == "quot":
			to = append(to, '"')
		case entity == "apos":
			to = append(to, '\'')
		case strings.HasPrefix(entity, "#x"), strings.HasPrefix(entity, "#X"):
			to = appendCode(to, entity[2:], 16)
		case strings.HasPrefix(entity, "#"):
			to = appendCode(to, entity[1:], 10)
		}
		raw = raw[j+1:]
	}
	return to
}

func appendCode(to []byte, digits string, base int) []byte {
	n, err := strconv.ParseUint(digits, base, 32)
	if err != nil || n > utf8.MaxRune {
		return utf8.AppendRune(to, utf8.RuneError)
	}
	return utf8.AppendRune(to, rune(n))
}
