// What the reference sketch needs of its board, on this machine: the line is standard input and
// output, every change of a pin is told on standard error. Compiled with the sketch included.
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>
#include <stdint.h>

enum { LOW = 0, HIGH = 1, OUTPUT = 1 };

static uint64_t now_us() {
  timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (uint64_t)t.tv_sec * 1000000u + (uint64_t)t.tv_nsec / 1000u;
}
static uint32_t millis() { return (uint32_t)(now_us() / 1000u); }
static uint32_t micros() { return (uint32_t)now_us(); }
static int analogRead(int channel) { return channel * 50; }
static void pinMode(int, int) {}
static void digitalWrite(int pin, int level) {
  fprintf(stderr, "%d %d\n", pin, level);
  fflush(stderr);
}
static char *dtostrf(double value, int width, unsigned digits, char *text) {
  sprintf(text, "%*.*f", width, (int)digits, value);
  return text;
}
static char *utoa(unsigned value, char *text, int) {
  sprintf(text, "%u", value);
  return text;
}

static struct {
  unsigned char kept[256];
  int size = 0, at = 0;
  void begin(long) {}
  bool available() {
    if (at < size) return true;
    pollfd one = {0, POLLIN, 0};
    if (poll(&one, 1, 1) <= 0) return false;
    size = (int)::read(0, kept, sizeof kept);
    at = 0;
    if (size <= 0) _exit(0);
    return true;
  }
  int read() { return kept[at++]; }
  void write(const uint8_t *data, unsigned long size_) { (void)!::write(1, data, size_); }
} Serial;

#include SKETCH

int main() {
  setup();
  for (;;) loop();
}
