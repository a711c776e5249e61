#include "session.h"

#include <stdio.h>
#include <string.h>

namespace haunt {

namespace {

constexpr uint8_t KEEPALIVE_S = 10;
constexpr int64_t ANSWER_MS = 5000;
constexpr int64_t PING_MS = 5000;
constexpr int64_t RETRY_MS = 500;
constexpr int64_t RETRY_MS_MAX = 5000;
constexpr size_t LENGTH_MAX = 65536;  // no broker of ours sends more than 4096

// Source: OASIS MQTT Version 3.1.1, section 2.2.
enum Packet : uint8_t {
  CONNECT = 1,
  CONNACK = 2,
  PUBLISH = 3,
  PUBACK = 4,
  SUBSCRIBE = 8,
  SUBACK = 9,
  PINGREQ = 12,
  PINGRESP = 13,
};

// Adds texts and bytes to a packet; what does not fit shows in `size` above the room.
struct Packed {
  uint8_t bytes[512];
  size_t size = 0;
  void byte(uint8_t value) {
    if (size < sizeof bytes) bytes[size] = value;
    size++;
  }
  void two(size_t value) {
    byte(static_cast<uint8_t>(value >> 8));
    byte(static_cast<uint8_t>(value));
  }
  void text(const char *text, size_t length) {
    two(length);
    for (size_t place = 0; place < length; place++) byte(static_cast<uint8_t>(text[place]));
  }
  void text(const char *words) { text(words, strlen(words)); }
  bool fits() const { return size <= sizeof bytes; }
};

}  // namespace

Session::Session(const Account &account, Stream &stream, uint32_t chance)
    : account_(account), stream_(stream), chance_(chance) {}

void Session::poll(int64_t ms) {
  if (stage_ == Stage::Closed) {
    // Many boards' libraries wait for a connection, and meanwhile no play would end. It waits for
    // the play instead, which the missing beat ends within six seconds.
    if (ms >= retry_at_ms_ && !board_->is_playing()) start(ms);
  } else {
    receive(ms);
    mind_time(ms);
    if (is_broken_ || !stream_.is_open()) lose(ms);
  }
  board_->tick(ms);
}

// ---- coming and going

void Session::start(int64_t ms) {
  if (!stream_.open()) return lose(ms);
  char will[160], where[TOPIC_CHARS_MAX];
  const size_t will_size = board_->connecting(ms, will, sizeof will);
  topic(where, sizeof where, account_.id, "presence");
  Packed body;
  body.text("MQTT");
  body.byte(4);                                        // MQTT 3.1.1
  body.byte(0x80 | 0x40 | 0x20 | 1 << 3 | 0x04 | 0x02);  // name, password, kept will, QoS 1, clean
  body.two(KEEPALIVE_S);
  body.text(account_.id);
  body.text(where);
  body.text(will, will_size);
  body.text(account_.id);
  body.text(account_.password);
  part_ = Part::Head;
  is_broken_ = is_pinging_ = false;
  for (Underway &each : underway_) each = Underway();
  stage_ = Stage::SignedIn;
  deadline_ms_ = ms + ANSWER_MS;
  if (!body.fits() || !send(CONNECT << 4, body.bytes, body.size, nullptr, 0)) lose(ms);
}

void Session::lose(int64_t ms) {
  stream_.close();
  stage_ = Stage::Closed;
  retry_at_ms_ = ms + draw_wait_ms();
  board_->lost(ms);
}

// Waits double up to a bound, each drawn between half and all of it: after a broker's restart no
// two boards come back in step.
int64_t Session::draw_wait_ms() {
  chance_ = chance_ * 1664525u + 1013904223u;
  const int64_t half = retry_ms_ / 2;
  retry_ms_ = 2 * retry_ms_ < RETRY_MS_MAX ? 2 * retry_ms_ : RETRY_MS_MAX;
  return half + static_cast<int64_t>((chance_ >> 8) % static_cast<uint32_t>(half));
}

void Session::mind_time(int64_t ms) {
  const bool waits = stage_ != Stage::Up || is_pinging_;
  if (waits && ms >= deadline_ms_) is_broken_ = true;
  if (stage_ == Stage::Up && !is_pinging_ && ms >= ping_at_ms_) {
    is_pinging_ = true;
    deadline_ms_ = ms + ANSWER_MS;
    send(PINGREQ << 4, nullptr, 0, nullptr, 0);
  }
}

// The stop first: its retained word is here before anything else is.
void Session::subscribe() {
  Packed body;
  char where[TOPIC_CHARS_MAX];
  body.two(next_packet_id());
  const struct {
    const char *owner, *leaf;
    uint8_t qos;
  } wanted[] = {{"all", "stop", 1},
                {"all", "beat", 0},
                {account_.id, "settings", 1},
                {account_.id, "cue", 1}};
  for (const auto &each : wanted) {
    topic(where, sizeof where, each.owner, each.leaf);
    body.text(where);
    body.byte(each.qos);
  }
  stage_ = Stage::Subscribing;
  if (!body.fits()) is_broken_ = true;
  send(SUBSCRIBE << 4 | 2, body.bytes, body.size, nullptr, 0);
}

// ---- what goes out

void Session::publish(const char *leaf, const char *payload, size_t size, uint8_t qos, bool retain,
                      uint32_t token) {
  if (stage_ != Stage::Up) return;
  char where[TOPIC_CHARS_MAX];
  topic(where, sizeof where, account_.id, leaf);
  Packed start;
  start.text(where);
  if (qos) {
    const uint16_t packet_id = next_packet_id();
    start.two(packet_id);
    for (Underway &each : underway_) {
      if (token && !each.packet_id) {
        each.packet_id = packet_id;
        each.token = token;
        token = 0;
      }
    }
  }
  const uint8_t head = static_cast<uint8_t>(PUBLISH << 4 | qos << 1 | (retain ? 1 : 0));
  send(head, start.bytes, start.size, payload, size);
}

uint16_t Session::next_packet_id() {
  for (;;) {
    last_packet_id_ = static_cast<uint16_t>(last_packet_id_ + 1);
    bool is_free = last_packet_id_ != 0;
    for (const Underway &each : underway_) is_free = is_free && each.packet_id != last_packet_id_;
    if (is_free) return last_packet_id_;
  }
}

// One write a packet: two would wait for each other where the network gathers small ones.
bool Session::send(uint8_t head, const uint8_t *start, size_t start_size, const char *rest,
                   size_t rest_size) {
  uint8_t packet[5 + sizeof(Packed::bytes) + PAYLOAD_BYTES_MAX];
  size_t size = 0, length = start_size + rest_size;
  if (length + 5 > sizeof packet) return false;
  packet[size++] = head;
  do {
    packet[size++] = static_cast<uint8_t>((length & 0x7F) | (length > 0x7F ? 0x80 : 0));
    length >>= 7;
  } while (length);
  if (start_size) memcpy(packet + size, start, start_size);
  if (rest_size) memcpy(packet + size + start_size, rest, rest_size);
  if (!stream_.write(packet, size + start_size + rest_size)) is_broken_ = true;
  return !is_broken_;
}

size_t Session::topic(char *into, size_t size, const char *owner, const char *leaf) const {
  return static_cast<size_t>(snprintf(into, size, "%s/%s/%s", account_.root, owner, leaf));
}

// ---- what comes in

void Session::receive(int64_t ms) {
  uint8_t bytes[256];
  int count = 0;
  while (!is_broken_ && (count = stream_.read(bytes, sizeof bytes)) > 0) {
    for (int place = 0; place < count && !is_broken_; place++) take_byte(ms, bytes[place]);
  }
}

void Session::take_byte(int64_t ms, uint8_t byte) {
  if (part_ == Part::Head) {
    head_ = byte;
    length_ = got_ = length_bytes_ = 0;
    part_ = Part::Length;
    return;
  }
  if (part_ == Part::Length) {
    length_ |= static_cast<size_t>(byte & 0x7F) << (7 * length_bytes_++);
    if (byte & 0x80) {
      if (length_bytes_ == 4) is_broken_ = true;
      return;
    }
    if (length_ > LENGTH_MAX) is_broken_ = true;
    part_ = Part::Body;
  } else {
    if (got_ < sizeof body_) body_[got_] = byte;
    got_++;
  }
  if (got_ == length_) {
    part_ = Part::Head;
    take_packet(ms);
  }
}

void Session::take_packet(int64_t ms) {
  switch (head_ >> 4) {
    case CONNACK:
      if (stage_ != Stage::SignedIn || length_ != 2 || body_[1] != 0) {
        is_broken_ = true;
      } else {
        subscribe();
      }
      return;
    case SUBACK:
      for (size_t place = 2; place < length_ && place < sizeof body_; place++) {
        if (body_[place] & 0x80) is_broken_ = true;
      }
      if (is_broken_ || stage_ != Stage::Subscribing) return;
      stage_ = Stage::Up;
      retry_ms_ = RETRY_MS;
      ping_at_ms_ = ms + PING_MS;
      board_->connected(ms);
      return;
    case PUBACK:
      for (Underway &each : underway_) {
        const bool is_it = each.packet_id && length_ == 2 &&
                           each.packet_id == (body_[0] << 8 | body_[1]);
        if (!is_it) continue;
        const uint32_t token = each.token;
        each = Underway();
        board_->acked(ms, token);
        return;
      }
      return;
    case PINGRESP:
      is_pinging_ = false;
      ping_at_ms_ = ms + PING_MS;
      return;
    case PUBLISH:
      take_publish(ms);
      return;
    default:
      is_broken_ = true;
  }
}

void Session::take_publish(int64_t ms) {
  const size_t held = got_ < sizeof body_ ? got_ : sizeof body_;
  const uint8_t qos = head_ >> 1 & 3;
  const size_t name = held < 2 ? 0 : static_cast<size_t>(body_[0] << 8 | body_[1]);
  const size_t start = 2 + name + (qos ? 2 : 0);
  if (name == 0 || name >= TOPIC_CHARS_MAX || start > held || qos > 1) {
    is_broken_ = true;
    return;
  }
  char where[TOPIC_CHARS_MAX];
  memcpy(where, body_ + 2, name);
  where[name] = 0;
  const uint8_t id[2] = {body_[start - 2], body_[start - 1]};
  char *leaf = strrchr(where, '/');
  const size_t root = strlen(account_.root);
  if (leaf && name > root && strncmp(where, account_.root, root) == 0 && where[root] == '/') {
    *leaf++ = 0;
    const char *payload = reinterpret_cast<const char *>(body_) + start;
    // Its whole length, also of what was not kept: the board refuses it by that.
    board_->message(ms, where + root + 1, leaf, payload, got_ - start, head_ & 1);
  }
  if (qos) send(PUBACK << 4, id, sizeof id, nullptr, 0);
}

}  // namespace haunt
