// Reference sketch for a board that speaks docs/board-protocol.md.
//
// Plain C++ for a generic 8 or 32 bit board in the Arduino manner. Four places are yours to fill in, marked YOURS:
// the pins, reading an input, turning a set-point, the hardware watchdog and a number that differs at each reset.
// Not a safety device: hard-wire what must hold when this program does not.

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

// ---- YOURS: the rig ------------------------------------------------------------------------------
static const uint8_t COIL_PINS[] = {2, 3, 4, 5, 6, 7, 8};  // clamp apply, clamp release, isolation, supply, vent, heater, coolant
static const uint8_t COILS = sizeof(COIL_PINS);
static const uint8_t INPUTS = 12;
static const uint8_t DIALS = 1;

// Return false if the channel is bad. In mA, degC, or 0 and 1 for a contact, as the rig file expects.
static bool readInput(uint8_t number, float *value) {
  *value = 4.0f + 16.0f * (float)analogRead(number) / 1023.0f;
  return true;
}

static void turnDial(uint8_t number, float value) { (void)number; (void)value; }

// A watchdog of at most 250 ms that resets the chip; on AVR: wdt_enable(WDTO_250MS) and wdt_reset() of <avr/wdt.h>.
static void watchdogStart() {}
static void watchdogFeed() {}

// Must differ from the value before the reset: count in EEPROM, or mix the noise of an open analogue pin.
static uint16_t newSession() { return (uint16_t)(analogRead(15) * 4099u + micros()); }
// ---- end of what is yours, but for the pins' polarity in coil() --------------------------------------

static const uint8_t LONGEST_LINE = 200;
static const uint16_t LONGEST_LIFE_MS = 5000;

static char session[5];  // four hexadecimal digits
static bool driven[COILS];
static bool armed = false;       // an image lives, and `after` is due when its life has run out
static uint32_t bornMs, lifeMs;
static char after[COILS];
static bool dialKnown[DIALS];
static float dials[DIALS];
static char line[LONGEST_LINE + 1];
static uint8_t length = 0;
static bool overlong = false;
static char out[256];

static void coil(uint8_t number, bool on) {
  driven[number] = on;
  digitalWrite(COIL_PINS[number], on ? HIGH : LOW);
}

static void switchCoils(const char *bits) {
  for (uint8_t i = 0; i < COILS; i++) {
    if (bits[i] != '-') coil(i, bits[i] == '1');
  }
}

static uint16_t crc16(const char *text, uint16_t size) {
  uint16_t crc = 0xFFFF;
  for (uint16_t i = 0; i < size; i++) {
    crc ^= (uint8_t)text[i];
    for (uint8_t bit = 0; bit < 8; bit++) crc = (crc & 1) ? (crc >> 1) ^ 0xA001 : crc >> 1;
  }
  return crc;
}

static void add(const char *text) { strncat(out, text, sizeof(out) - strlen(out) - 1); }

static void hex(uint16_t value, char digits[5]) {
  for (int8_t i = 3; i >= 0; i--) {
    digits[i] = "0123456789ABCDEF"[value & 15];
    value >>= 4;
  }
  digits[4] = 0;
}

static void addNumber(float value) {
  char text[16];
  dtostrf(value, 1, 3, text);
  add(text);
}

static void addWhole(uint16_t value) {
  char text[6];
  utoa(value, text, 10);
  add(text);
}

static void addBits() {
  char text[2] = {0, 0};
  for (uint8_t i = 0; i < COILS; i++) {
    text[0] = driven[i] ? '1' : '0';
    add(text);
  }
}

static void reply() {
  char checksum[5];
  hex(crc16(out, strlen(out)), checksum);
  add("*");
  add(checksum);
  add("\n");
  Serial.write((const uint8_t *)out, strlen(out));
}

static bool isBits(const char *word) {
  if (strlen(word) != COILS) return false;
  for (uint8_t i = 0; i < COILS; i++) {
    if (word[i] != '0' && word[i] != '1' && word[i] != '-') return false;
  }
  return true;
}

// Return why nothing was done, or nullptr after everything was.
static const char *set(char **words, uint8_t count) {
  if (count != 6 + DIALS) return "form";
  char *end;
  if (strcmp(words[2], session) != 0) return "session";
  // strtoul takes signs and blanks too, so the first character is looked at.
  if (words[3][0] < '0' || words[3][0] > '9' || strlen(words[3]) > 5) return "life";
  unsigned long life = strtoul(words[3], &end, 10);
  if (*end || life == 0 || life > LONGEST_LIFE_MS) return "life";
  if (!isBits(words[4]) || !isBits(words[5])) return "form";
  float values[DIALS];
  for (uint8_t i = 0; i < DIALS; i++) {
    if (strcmp(words[6 + i], "-") == 0) continue;
    values[i] = (float)strtod(words[6 + i], &end);
    if (end == words[6 + i] || *end || !(values[i] > -1e6f && values[i] < 1e6f)) return "form";
  }
  // Everything is sound: now carry it out, set-points first.
  for (uint8_t i = 0; i < DIALS; i++) {
    if (strcmp(words[6 + i], "-") == 0) continue;
    dials[i] = values[i];
    dialKnown[i] = true;
    turnDial(i, values[i]);
  }
  switchCoils(words[4]);
  memcpy(after, words[5], COILS);
  bornMs = millis();
  lifeMs = life;
  armed = true;
  return nullptr;
}

static void answer() {
  char *star = strrchr(line, '*');
  if (!star) return;
  char checksum[5];
  hex(crc16(line, star - line), checksum);
  if (strcmp(star + 1, checksum) != 0) return;
  *star = 0;
  char *words[8 + DIALS];
  uint8_t count = 0;
  for (char *word = strtok(line, " "); word && count < 8 + DIALS; word = strtok(nullptr, " ")) words[count++] = word;
  if (count < 2 || strlen(words[0]) != 2) return;
  if (words[0][0] < '0' || words[0][0] > '9' || words[0][1] < '0' || words[0][1] > '9') return;
  out[0] = 0;
  add(words[0]);
  const char *why = nullptr;
  if (strcmp(words[1], "who") == 0 && count == 2) {
    add(" who imprint-board 1 ");
    add(session);
    add(" "); addWhole(INPUTS);
    add(" "); addWhole(COILS);
    add(" "); addWhole(DIALS);
  } else if (strcmp(words[1], "in") == 0 && count == 2) {
    add(" in ");
    add(session);
    add(" ");
    addBits();
    for (uint8_t i = 0; i < INPUTS; i++) {
      float value;
      add(" ");
      if (readInput(i, &value)) addNumber(value); else add("-");
    }
  } else if (strcmp(words[1], "set") == 0) {
    why = set(words, count);
    if (!why) {
      add(" set ");
      add(session);
      add(" ");
      addBits();
      for (uint8_t i = 0; i < DIALS; i++) {
        add(" ");
        if (dialKnown[i]) addNumber(dials[i]); else add("-");
      }
    }
  } else {
    why = (strcmp(words[1], "who") == 0 || strcmp(words[1], "in") == 0) ? "form" : "verb";
  }
  if (why) {
    add(" err ");
    add(why);
  }
  reply();
}

void setup() {
  for (uint8_t i = 0; i < COILS; i++) {
    digitalWrite(COIL_PINS[i], LOW);  // before the pin becomes an output, so that it never flickers
    pinMode(COIL_PINS[i], OUTPUT);
    coil(i, false);
  }
  hex(newSession(), session);
  Serial.begin(115200);
  watchdogStart();
}

void loop() {
  watchdogFeed();  // here and nowhere else: whatever keeps the loop from coming round is a hang
  // The difference of unsigned times is right across the overflow of millis().
  if (armed && (uint32_t)(millis() - bornMs) >= lifeMs) {
    armed = false;
    switchCoils(after);
  }
  // A few bytes at a time, so that a flood of them cannot hold up the expiry above.
  for (uint8_t few = 0; few < 32 && Serial.available(); few++) {
    char got = (char)Serial.read();
    if (got == '\n') {
      if (length && line[length - 1] == '\r') length--;
      line[length] = 0;
      if (!overlong && length) answer();
      length = 0;
      overlong = false;
    } else if (length < LONGEST_LINE) {
      line[length++] = got;
    } else {
      overlong = true;
    }
  }
}
