// As much of the board's own library as the example uses, on a computer. Inputs are set by UDP:
// "PIN LEVEL" to the port that HAUNT_TEST_PINS names.
#pragma once
#include <cstddef>
#include <cstdint>
#include <cstdio>

constexpr int LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1;

uint32_t millis();
void delay(unsigned long ms);
uint32_t micros();
void pinMode(uint8_t pin, int mode);
void digitalWrite(uint8_t pin, int level);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);

void setup();
void loop();
