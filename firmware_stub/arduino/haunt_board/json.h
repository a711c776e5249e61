// Reads one JSON object without a heap and writes small ones into a buffer that is handed in.
// It must never read past what it was given, and knows no number but a whole one.
#pragma once

#include <stddef.h>
#include <stdint.h>

namespace haunt {

enum class Kind : uint8_t { Missing, Null, False, True, Integer, Number, Text, Object, List };

// A piece of the text: of a Text all between its quotes, as it was written.
struct Value {
  Kind kind = Kind::Missing;
  const char *at = nullptr;
  size_t size = 0;
  int64_t integer = 0;
};

// Walks over text that it has not seen before; every step says whether it was JSON.
class Scanner {
 public:
  Scanner(const char *text, size_t size) : at_(text), end_(text + size) {}
  explicit Scanner(const Value &inside) : Scanner(inside.at, inside.size) {}

  bool value(Value &found, int depth = 0);
  bool is_over();  // nothing but white space is left

  // Inside an object or list: open, then take until it says that there is no more.
  bool open(char bracket);
  enum class More : uint8_t { Yes, No, Wrong };
  More member(Value &key, Value &found);
  More item(Value &found);

 private:
  void skip_space();
  bool word(const char *wanted);
  bool text(Value &found);
  bool number(Value &found);
  bool nested(Value &found, int depth);
  More next(char closing);

  const char *at_;
  const char *end_;
  bool is_first_ = true;
};

// Takes a Text apart: its characters one by one, escapes undone; -1 at its end, -2 if it is wrong.
class Letters {
 public:
  explicit Letters(const Value &text) : at_(text.at), end_(text.at + text.size) {}
  int32_t next();

 private:
  int32_t unit();
  const char *at_;
  const char *end_;
};

struct Field {
  const char *name;
  Value value;
};

// Fills the fields that the object has; false if the text is not one whole object.
// Of a key that comes twice the last one counts.
bool read_object(const char *text, size_t size, Field *fields, size_t count);

bool equals(const Value &text, const char *word);

// Keeps adding until it is full; a payload that did not fit says so by ok().
class Writer {
 public:
  Writer(char *buffer, size_t size) : buffer_(buffer), size_(size) { raw("{"); }
  Writer &text(const char *key, const char *value);
  Writer &number(const char *key, int64_t value);
  Writer &flag(const char *key, bool value);
  Writer &open(const char *key);
  Writer &close();
  // Ends the object; its length, 0 if it did not fit.
  size_t done();

 private:
  void raw(const char *words);
  void name(const char *key);
  char *buffer_;
  size_t size_;
  size_t used_ = 0;
  bool needs_comma_ = false;
  bool fits_ = true;
};

}  // namespace haunt
