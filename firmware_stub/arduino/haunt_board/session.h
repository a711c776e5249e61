// One MQTT 3.1.1 connection after another over any byte stream: signs in with the last will,
// subscribes, pings, acknowledges, gives up on silence and tries again with growing waits.
#pragma once

#include "board.h"

namespace haunt {

// A TCP connection with Nagle's delay off; nothing here waits for long.
class Stream {
 public:
  virtual bool open() = 0;
  virtual bool is_open() = 0;
  virtual int read(uint8_t *into, int size) = 0;  // what has come; 0: nothing
  virtual bool write(const uint8_t *bytes, size_t size) = 0;
  virtual void close() = 0;

 protected:
  ~Stream() = default;
};

// Who the board is at the broker: what `haunt boards add` prints.
struct Account {
  const char *id;
  const char *password;
  const char *root;  // haunt/<show>
};

class Session {
 public:
  // `chance` is any number that no other board is likely to begin with.
  Session(const Account &account, Stream &stream, uint32_t chance);

  void attach(Board &board) { board_ = &board; }
  void poll(int64_t ms);
  void publish(const char *leaf, const char *payload, size_t size, uint8_t qos, bool retain,
               uint32_t token);

 private:
  // A payload that is too long is read to its end all the same, and refused by the board.
  static constexpr size_t BODY_BYTES_MAX = PAYLOAD_BYTES_MAX + 256;
  static constexpr size_t TOPIC_CHARS_MAX = 128;
  static constexpr int UNDERWAY = 16;

  void start(int64_t ms);
  void lose(int64_t ms);
  void receive(int64_t ms);
  void take_byte(int64_t ms, uint8_t byte);
  void take_packet(int64_t ms);
  void take_publish(int64_t ms);
  void subscribe();
  void mind_time(int64_t ms);
  bool send(uint8_t head, const uint8_t *start, size_t start_size, const char *rest,
            size_t rest_size);
  uint16_t next_packet_id();
  size_t topic(char *into, size_t size, const char *owner, const char *leaf) const;
  int64_t draw_wait_ms();

  const Account &account_;
  Stream &stream_;
  Board *board_ = nullptr;
  uint32_t chance_;
  enum class Stage : uint8_t { Closed, SignedIn, Subscribing, Up } stage_ = Stage::Closed;
  int64_t retry_at_ms_ = 0, retry_ms_ = 500, deadline_ms_ = 0, ping_at_ms_ = 0;
  bool is_pinging_ = false, is_broken_ = false;
  struct Underway {
    uint16_t packet_id = 0;
    uint32_t token = 0;
  } underway_[UNDERWAY];
  uint16_t last_packet_id_ = 0;

  enum class Part : uint8_t { Head, Length, Body } part_ = Part::Head;
  uint8_t head_ = 0, length_bytes_ = 0;
  size_t length_ = 0, got_ = 0;
  uint8_t body_[BODY_BYTES_MAX];
};

}  // namespace haunt
