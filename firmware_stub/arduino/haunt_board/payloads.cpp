#include "payloads.h"

#include <string.h>

namespace haunt {

namespace {

constexpr int64_t INTEGER_MAX = 9007199254740991;  // 2^53 - 1: beyond it other JSON readers round
constexpr int LINE_CHARS_MAX = 128;
constexpr int HOURS_MAX = 16;
const char ID_CHARS[] = "abcdefghijklmnopqrstuvwxyz0123456789-";
const char CUE_CHARS[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZ._:abcdefghijklmnopqrstuvwxyz0123456789-";

template <size_t Size>
bool take_word(const Value &value, const char *allowed, char (&into)[Size]) {
  if (value.kind != Kind::Text) return false;
  Letters letters(value);
  size_t size = 0;
  for (int32_t letter = letters.next(); letter != -1; letter = letters.next()) {
    if (size == Size - 1 || letter <= 0 || letter > 0x7F) return false;
    if (!strchr(allowed, static_cast<int>(letter))) return false;
    into[size++] = static_cast<char>(letter);
  }
  into[size] = 0;
  return size > 0;
}

template <size_t Size>
bool take_id(const Value &value, char (&into)[Size]) {
  return take_word(value, ID_CHARS, into);
}

bool take_integer(const Value &value, int64_t &into, int64_t least = 0) {
  into = value.integer;
  return value.kind == Kind::Integer && into >= least && into <= INTEGER_MAX;
}

bool take_flag(const Value &value, bool &into) {
  into = value.kind == Kind::True;
  return into || value.kind == Kind::False;
}

bool is_line(const Value &value) {
  if (value.kind == Kind::Missing) return true;
  if (value.kind != Kind::Text) return false;
  Letters letters(value);
  int count = 0;
  for (int32_t letter = letters.next(); letter != -1; letter = letters.next()) {
    if (letter < 32 || ++count > LINE_CHARS_MAX) return false;
  }
  return count > 0;
}

bool is_clock_reading(const Value &value) {
  if (value.kind != Kind::Text || value.size != 5 || value.at[2] != ':') return false;
  for (int place = 0; place < 5; place++) {
    if (place != 2 && (value.at[place] < '0' || value.at[place] > '9')) return false;
  }
  return memcmp(value.at, "24", 2) < 0 && value.at[3] < '6';
}

bool is_span(const Value &value) {
  if (value.kind != Kind::List) return false;
  Scanner scanner(value);
  Value end;
  if (!scanner.open('[')) return false;
  for (int count = 0; count < 2; count++) {
    if (scanner.item(end) != Scanner::More::Yes || !is_clock_reading(end)) return false;
  }
  return scanner.item(end) == Scanner::More::No;
}

bool are_hours(const Value &value) {
  if (value.kind == Kind::Missing) return true;
  if (value.kind != Kind::List) return false;
  Scanner scanner(value);
  Value span;
  if (!scanner.open('[')) return false;
  for (int count = 0; scanner.item(span) == Scanner::More::Yes; count++) {
    if (count == HOURS_MAX || !is_span(span)) return false;
  }
  return true;
}

bool are_props(const Value &value) {
  if (value.kind == Kind::Missing) return true;
  if (value.kind != Kind::Object) return false;
  Scanner scanner(value);
  Value key, setting;
  if (!scanner.open('{')) return false;
  while (scanner.member(key, setting) == Scanner::More::Yes) {
    char word[ID_CHARS_MAX + 1];
    int64_t rest_ms = 0;
    Field fields[] = {{"behaviour", {}}, {"cooldown_ms", {}}};
    if (!take_id(key, word) || setting.kind != Kind::Object) return false;
    if (!read_object(setting.at, setting.size, fields, 2)) return false;
    if (!take_id(fields[0].value, word) || !take_integer(fields[1].value, rest_ms)) return false;
  }
  return true;
}

template <size_t Count>
bool fill(const char *payload, size_t size, Field (&fields)[Count]) {
  return size <= PAYLOAD_BYTES_MAX && read_object(payload, size, fields, Count);
}

}  // namespace

bool read(const char *payload, size_t size, Cue &found) {
  Field fields[] = {{"cue", {}},    {"epoch", {}},  {"prop", {}},    {"behaviour", {}},
                    {"max_ms", {}}, {"ttl_ms", {}}, {"sent_ms", {}}, {"line", {}}};
  return fill(payload, size, fields) && take_word(fields[0].value, CUE_CHARS, found.cue) &&
         take_integer(fields[1].value, found.epoch) && take_id(fields[2].value, found.prop) &&
         take_id(fields[3].value, found.behaviour) &&
         take_integer(fields[4].value, found.max_ms, 1) &&
         take_integer(fields[5].value, found.ttl_ms) &&
         take_integer(fields[6].value, found.sent_ms) && is_line(fields[7].value);
}

bool read(const char *payload, size_t size, Beat &found) {
  Field fields[] = {{"clock", {}}, {"now_ms", {}}, {"wall_ms", {}}, {"epoch", {}}};
  return fill(payload, size, fields) && take_id(fields[0].value, found.clock) &&
         take_integer(fields[1].value, found.now_ms) &&
         take_integer(fields[2].value, found.wall_ms) &&
         take_integer(fields[3].value, found.epoch);
}

bool read(const char *payload, size_t size, Stop &found) {
  Field fields[] = {{"stopped", {}}, {"epoch", {}}, {"at_ms", {}}};
  return fill(payload, size, fields) && take_flag(fields[0].value, found.stopped) &&
         take_integer(fields[1].value, found.epoch) && take_integer(fields[2].value, found.at_ms);
}

bool read(const char *payload, size_t size, Settings &found) {
  Field fields[] = {{"version", {}}, {"mode", {}}, {"props", {}}, {"hours", {}}};
  if (!fill(payload, size, fields) || !take_integer(fields[0].value, found.version)) return false;
  found.alone = equals(fields[1].value, "alone");
  return (found.alone || equals(fields[1].value, "still")) && are_props(fields[2].value) &&
         are_hours(fields[3].value);
}

bool read_cue_id(const char *payload, size_t size, char (&cue)[CUE_CHARS_MAX + 1]) {
  Field fields[] = {{"cue", {}}};
  return fill(payload, size, fields) && take_word(fields[0].value, CUE_CHARS, cue);
}

namespace {

void write_counts(Writer &out, const char *key, const Count *counts, uint8_t size) {
  out.open(key);
  for (uint8_t place = 0; place < size; place++) out.number(counts[place].id, counts[place].value);
  out.close();
}

}  // namespace

size_t write(const Here &said, char *into, size_t size) {
  Writer out(into, size);
  out.text("state", "here").text("boot", said.boot).number("conn", said.conn);
  out.text("fw", said.fw).number("up_ms", said.up_ms).text("reset", said.reset);
  return out.done();
}

size_t write(const Gone &said, char *into, size_t size) {
  Writer out(into, size);
  return out.text("state", "gone").text("boot", said.boot).number("conn", said.conn).done();
}

size_t write(const Motion &said, char *into, size_t size) {
  Writer out(into, size);
  out.text("sensor", said.sensor).text("boot", said.boot).number("seq", said.seq);
  out.number("age_ms", said.age_ms);
  if (said.clock) out.text("clock", said.clock).number("at_ms", said.at_ms);
  return out.done();
}

size_t write(const Report &said, char *into, size_t size) {
  Writer out(into, size);
  out.text("cue", said.cue).text("boot", said.boot).text("state", said.state);
  if (said.why) out.text("why", said.why);
  if (said.epoch >= 0) out.number("epoch", said.epoch);
  return out.done();
}

size_t write(const Health &said, char *into, size_t size) {
  Writer out(into, size);
  out.text("boot", said.boot).number("up_ms", said.up_ms);
  if (said.battery_mv >= 0) out.number("battery_mv", said.battery_mv);
  if (said.rssi != NO_RSSI) out.number("rssi", said.rssi);
  write_counts(out, "starts", said.starts, said.props);
  write_counts(out, "motions", said.motions, said.sensors);
  write_counts(out, "active", said.active, said.sensors);
  out.number("epoch", said.epoch).flag("stopped", said.stopped).text("reset", said.reset);
  return out.number("bad", said.bad).number("dropped", said.dropped).done();
}

}  // namespace haunt
