// A connection that is always there, and a client over the computer's own sockets.
#pragma once
#include <cstddef>
#include <cstdint>

constexpr int WL_CONNECTED = 3;

class WiFiClass {
 public:
  void begin(const char *, const char *) {}
  int status() const { return WL_CONNECTED; }
  int RSSI() const { return -61; }
};

extern WiFiClass WiFi;

class WiFiClient {
 public:
  bool connect(const char *host, uint16_t port);
  void setNoDelay(bool on);
  uint8_t connected();
  int available();
  int read(uint8_t *into, size_t size);
  size_t write(const uint8_t *bytes, size_t size);
  void stop();

 private:
  int socket_ = -1;
};
