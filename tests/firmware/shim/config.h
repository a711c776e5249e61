// Stands in for the file that a person makes: everything comes from the environment.
#pragma once
#include <cstdlib>

#define HAUNT_SSID "none"
#define HAUNT_WIFI_PASSWORD "none"
#define HAUNT_HOST std::getenv("HAUNT_TEST_HOST")
#define HAUNT_PORT std::atoi(std::getenv("HAUNT_TEST_PORT"))
#define HAUNT_BOARD std::getenv("HAUNT_TEST_BOARD")
#define HAUNT_PASSWORD std::getenv("HAUNT_TEST_PASSWORD")
#define HAUNT_ROOT std::getenv("HAUNT_TEST_ROOT")
#define HAUNT_SPREAD_MS 1
