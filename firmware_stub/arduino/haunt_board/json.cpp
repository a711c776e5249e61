#include "json.h"

#include <string.h>

namespace haunt {

namespace {

constexpr int DEPTH_MAX = 24;  // of a board's stack; deeper is refused
constexpr int DIGITS_MAX = 18;

bool is_digit(char letter) { return letter >= '0' && letter <= '9'; }

int hex_of(char letter) {
  if (is_digit(letter)) return letter - '0';
  if (letter >= 'a' && letter <= 'f') return letter - 'a' + 10;
  if (letter >= 'A' && letter <= 'F') return letter - 'A' + 10;
  return -1;
}

}  // namespace

void Scanner::skip_space() {
  while (at_ < end_ && (*at_ == ' ' || *at_ == '\t' || *at_ == '\n' || *at_ == '\r')) at_++;
}

bool Scanner::is_over() {
  skip_space();
  return at_ == end_;
}

bool Scanner::word(const char *wanted) {
  const size_t size = strlen(wanted);
  if (static_cast<size_t>(end_ - at_) < size || memcmp(at_, wanted, size) != 0) return false;
  at_ += size;
  return true;
}

bool Scanner::value(Value &found, int depth) {
  skip_space();
  if (at_ == end_ || depth > DEPTH_MAX) return false;
  found = Value();
  switch (*at_) {
    case '"':
      return text(found);
    case '{':
    case '[':
      return nested(found, depth);
    case 'n':
      found.kind = Kind::Null;
      return word("null");
    case 't':
      found.kind = Kind::True;
      return word("true");
    case 'f':
      found.kind = Kind::False;
      return word("false");
    default:
      return number(found);
  }
}

bool Scanner::text(Value &found) {
  found.kind = Kind::Text;
  found.at = ++at_;
  for (; at_ < end_; at_++) {
    if (*at_ == '"') {
      found.size = static_cast<size_t>(at_++ - found.at);
      Letters letters(found);
      int32_t letter = 0;
      while ((letter = letters.next()) >= 0) {
      }
      return letter == -1;
    }
    if (static_cast<unsigned char>(*at_) < 0x20) return false;
    if (*at_ == '\\') at_++;
  }
  return false;
}

bool Scanner::number(Value &found) {
  found.kind = Kind::Integer;
  const bool is_negative = *at_ == '-';
  if (is_negative) at_++;
  const char *first = at_;
  for (; at_ < end_ && is_digit(*at_); at_++) {
    if (at_ - first < DIGITS_MAX) found.integer = 10 * found.integer + (*at_ - '0');
  }
  if (at_ == first || (*first == '0' && at_ - first > 1)) return false;
  if (at_ - first > DIGITS_MAX) found.kind = Kind::Number;  // larger than anything we take
  if (is_negative) found.integer = -found.integer;
  if (at_ < end_ && *at_ == '.') {
    found.kind = Kind::Number;
    const char *point = at_++;
    while (at_ < end_ && is_digit(*at_)) at_++;
    if (at_ - point < 2) return false;
  }
  if (at_ < end_ && (*at_ == 'e' || *at_ == 'E')) {
    found.kind = Kind::Number;
    at_++;
    if (at_ < end_ && (*at_ == '+' || *at_ == '-')) at_++;
    const char *power = at_;
    while (at_ < end_ && is_digit(*at_)) at_++;
    if (at_ == power) return false;
  }
  return true;
}

bool Scanner::nested(Value &found, int depth) {
  const bool is_object = *at_ == '{';
  const bool was_first = is_first_;
  found.kind = is_object ? Kind::Object : Kind::List;
  found.at = at_++;
  is_first_ = true;
  for (;;) {
    const More more = next(is_object ? '}' : ']');
    if (more == More::No) break;
    Value inner;
    if (more == More::Wrong) return false;
    if (is_object) {
      skip_space();
      if (at_ == end_ || *at_ != '"' || !text(inner)) return false;
      skip_space();
      if (at_ == end_ || *at_++ != ':') return false;
    }
    if (!value(inner, depth + 1)) return false;
  }
  is_first_ = was_first;
  found.size = static_cast<size_t>(at_ - found.at);
  return true;
}

Scanner::More Scanner::next(char closing) {
  skip_space();
  if (at_ == end_) return More::Wrong;
  if (*at_ == closing) {
    at_++;
    return More::No;
  }
  if (!is_first_ && *at_++ != ',') return More::Wrong;
  is_first_ = false;
  skip_space();
  return at_ < end_ && *at_ != closing ? More::Yes : More::Wrong;
}

bool Scanner::open(char bracket) {
  skip_space();
  if (at_ == end_ || *at_ != bracket) return false;
  at_++;
  is_first_ = true;
  return true;
}

Scanner::More Scanner::member(Value &key, Value &found) {
  const More more = next('}');
  if (more != More::Yes) return more;
  if (*at_ != '"' || !text(key)) return More::Wrong;
  skip_space();
  if (at_ == end_ || *at_++ != ':') return More::Wrong;
  return value(found, 1) ? More::Yes : More::Wrong;
}

Scanner::More Scanner::item(Value &found) {
  const More more = next(']');
  if (more != More::Yes) return more;
  return value(found, 1) ? More::Yes : More::Wrong;
}

int32_t Letters::unit() {
  if (end_ - at_ < 4) return -2;
  int32_t found = 0;
  for (int place = 0; place < 4; place++) {
    const int digit = hex_of(*at_++);
    if (digit < 0) return -2;
    found = found << 4 | digit;
  }
  return found;
}

int32_t Letters::next() {
  if (at_ == end_) return -1;
  const unsigned char first = static_cast<unsigned char>(*at_++);
  if (first != '\\') {
    if (first < 0x80) return first;
    const int more = first >= 0xF0 ? 3 : first >= 0xE0 ? 2 : 1;
    if (first < 0xC2 || first > 0xF4 || end_ - at_ < more) return -2;
    int32_t found = first & (0x3F >> more);
    for (int count = 0; count < more; count++) {
      if ((*at_ & 0xC0) != 0x80) return -2;
      found = found << 6 | (*at_++ & 0x3F);
    }
    return found;
  }
  if (at_ == end_) return -2;
  switch (*at_++) {
    case '"':
      return '"';
    case '\\':
      return '\\';
    case '/':
      return '/';
    case 'b':
      return '\b';
    case 'f':
      return '\f';
    case 'n':
      return '\n';
    case 'r':
      return '\r';
    case 't':
      return '\t';
    case 'u':
      break;
    default:
      return -2;
  }
  const int32_t high = unit();
  const bool is_half = high >= 0xD800 && high < 0xDC00;
  if (!is_half || end_ - at_ < 6 || at_[0] != '\\' || at_[1] != 'u') return high;
  const char *before = at_;
  at_ += 2;
  const int32_t low = unit();
  if (low >= 0xDC00 && low < 0xE000) return 0x10000 + ((high - 0xD800) << 10) + (low - 0xDC00);
  at_ = before;  // two halves that do not fit are two letters
  return high;
}

bool equals(const Value &text, const char *word) {
  if (text.kind != Kind::Text) return false;
  Letters letters(text);
  for (; *word; word++) {
    if (letters.next() != static_cast<unsigned char>(*word)) return false;
  }
  return letters.next() == -1;
}

bool read_object(const char *text, size_t size, Field *fields, size_t count) {
  Scanner scanner(text, size);
  if (!scanner.open('{')) return false;
  for (;;) {
    Value key, found;
    const Scanner::More more = scanner.member(key, found);
    if (more == Scanner::More::Wrong) return false;
    if (more == Scanner::More::No) return scanner.is_over();
    for (size_t place = 0; place < count; place++) {
      if (equals(key, fields[place].name)) fields[place].value = found;
    }
  }
}

void Writer::raw(const char *words) {
  const size_t size = strlen(words);
  if (!fits_ || used_ + size >= size_) {
    fits_ = false;
    return;
  }
  memcpy(buffer_ + used_, words, size + 1);
  used_ += size;
}

void Writer::name(const char *key) {
  if (needs_comma_) raw(",");
  needs_comma_ = true;
  raw("\"");
  raw(key);
  raw("\":");
}

// Ids, reasons and boots only: none of them holds a letter that has to be escaped.
Writer &Writer::text(const char *key, const char *value) {
  name(key);
  raw("\"");
  raw(value);
  raw("\"");
  return *this;
}

Writer &Writer::number(const char *key, int64_t value) {
  // By hand: the small libraries of many boards print no 64 bits.
  char digits[24];
  char *at = digits + sizeof digits - 1;
  uint64_t rest = value < 0 ? 0 - static_cast<uint64_t>(value) : static_cast<uint64_t>(value);
  *at = 0;
  do {
    *--at = static_cast<char>('0' + rest % 10);
    rest /= 10;
  } while (rest);
  if (value < 0) *--at = '-';
  name(key);
  raw(at);
  return *this;
}

Writer &Writer::flag(const char *key, bool value) {
  name(key);
  raw(value ? "true" : "false");
  return *this;
}

Writer &Writer::open(const char *key) {
  name(key);
  raw("{");
  needs_comma_ = false;
  return *this;
}

Writer &Writer::close() {
  raw("}");
  needs_comma_ = true;
  return *this;
}

size_t Writer::done() {
  raw("}");
  return fits_ ? used_ : 0;
}

}  // namespace haunt
