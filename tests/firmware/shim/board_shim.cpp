// The example as it is, with a computer under it in place of a board.
#include "Arduino.h"

#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <random>
#include <thread>

#include "WiFi.h"

namespace {

int levels[256] = {};
int inputs = -1;

void take_inputs() {
  char line[32];
  ssize_t size = 0;
  while ((size = recv(inputs, line, sizeof line - 1, MSG_DONTWAIT)) > 0) {
    int pin = 0, level = 0;
    line[size] = 0;
    if (std::sscanf(line, "%d %d", &pin, &level) == 2 && pin >= 0 && pin < 256) levels[pin] = level;
  }
}

void listen_for_inputs() {
  const char *port = std::getenv("HAUNT_TEST_PINS");
  sockaddr_in where{};
  where.sin_family = AF_INET;
  where.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  where.sin_port = htons(static_cast<uint16_t>(std::atoi(port ? port : "0")));
  inputs = socket(AF_INET, SOCK_DGRAM, 0);
  if (bind(inputs, reinterpret_cast<sockaddr *>(&where), sizeof where) != 0) std::exit(3);
}

}  // namespace

WiFiClass WiFi;

uint32_t millis() {
  const auto now = std::chrono::steady_clock::now().time_since_epoch();
  return static_cast<uint32_t>(
      std::chrono::duration_cast<std::chrono::milliseconds>(now).count());
}

void delay(unsigned long ms) { std::this_thread::sleep_for(std::chrono::milliseconds(ms)); }

uint32_t micros() {
  const auto now = std::chrono::steady_clock::now().time_since_epoch();
  return static_cast<uint32_t>(
      std::chrono::duration_cast<std::chrono::microseconds>(now).count());
}

int analogRead(uint8_t) {
  static std::random_device chance;
  return static_cast<int>(chance() & 0xFFF);
}

void pinMode(uint8_t, int) {}

void digitalWrite(uint8_t pin, int level) {
  levels[pin] = level;
  std::printf("{\"pin\":%d,\"level\":%d}\n", pin, level);
}

int digitalRead(uint8_t pin) { return levels[pin]; }

bool WiFiClient::connect(const char *host, uint16_t port) {
  stop();
  sockaddr_in where{};
  where.sin_family = AF_INET;
  where.sin_port = htons(port);
  inet_pton(AF_INET, host, &where.sin_addr);
  socket_ = ::socket(AF_INET, SOCK_STREAM, 0);
  if (::connect(socket_, reinterpret_cast<sockaddr *>(&where), sizeof where) == 0) return true;
  stop();
  return false;
}

void WiFiClient::setNoDelay(bool on) {
  const int flag = on;
  setsockopt(socket_, IPPROTO_TCP, TCP_NODELAY, &flag, sizeof flag);
}

// Closed by the other side shows as bytes to read, of which there are none.
uint8_t WiFiClient::connected() {
  if (socket_ < 0) return 0;
  char one = 0;
  pollfd look = {socket_, POLLIN, 0};
  if (poll(&look, 1, 0) == 0) return 1;
  return recv(socket_, &one, 1, MSG_PEEK | MSG_DONTWAIT) > 0;
}

int WiFiClient::available() {
  int count = 0;
  return socket_ >= 0 && ioctl(socket_, FIONREAD, &count) == 0 ? count : 0;
}

int WiFiClient::read(uint8_t *into, size_t size) {
  return static_cast<int>(recv(socket_, into, size, MSG_DONTWAIT));
}

size_t WiFiClient::write(const uint8_t *bytes, size_t size) {
  const ssize_t sent = send(socket_, bytes, size, MSG_NOSIGNAL);
  return sent < 0 ? 0 : static_cast<size_t>(sent);
}

void WiFiClient::stop() {
  if (socket_ >= 0) ::close(socket_);
  socket_ = -1;
}

int main() {
  listen_for_inputs();
  setup();
  for (;;) {
    take_inputs();
    loop();
    std::fflush(stdout);
  }
}
