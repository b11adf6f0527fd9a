#include "usb_tables.h"

#include "protocol.h"

#define U16(v) (uint8_t)((v) & 255u), (uint8_t)((v) >> 8)
#define ROOM 64u

static const char *serial = "";

void bb_usb_serial(const char *text) {
    serial = text;
}

/* USB 2.0, 9.6.1. Class EF 02 01: a function of several interfaces, told by an association (ECN of 2003);
 * that is what lets Windows 10 take its own driver. */
static const uint8_t DEVICE[18] = {
    18, 1, U16(0x0200u), 0xEF, 2, 1, 64, U16(BB_USB_VENDOR), U16(BB_USB_PRODUCT), U16(0x0100u), 1, 2, 3, 1,
};

/* USB 2.0, 9.6.3 to 9.6.6; CDC 1.2, 5.2.3; PSTN 1.2, 5.3. */
static const uint8_t CONFIGURATION[75] = {
    9, 2, U16(75u), 2, 1, 0, 0x80, 50, /* two interfaces, from the bus, 100 mA */
    8, 11, 0, 2, 2, 2, 0, 0,           /* they belong together: CDC, abstract control model */
    9, 4, 0, 0, 1, 2, 2, 0, 0,         /* interface 0: control */
    5, 0x24, 0, U16(0x0120u),          /* CDC 1.2 */
    5, 0x24, 1, 0, 1,                  /* no call management */
    4, 0x24, 2, 2,                     /* line coding and state */
    5, 0x24, 6, 0, 1,                  /* interface 1 belongs to 0 */
    7, 5, 0x81, 3, U16(16u), 16,       /* notices, each 16 ms at most */
    9, 4, 1, 0, 2, 10, 0, 0, 0,        /* interface 1: data */
    7, 5, 0x02, 2, U16(64u), 0,        /* bulk out */
    7, 5, 0x82, 2, U16(64u), 0,        /* bulk in */
};

static const uint8_t LANGUAGES[4] = {4, 3, U16(0x0409u)};

static const uint8_t *text_of(const char *text, uint8_t *room, uint32_t *bytes) {
    uint32_t size = 2;
    for (; *text && size + 2u <= ROOM; text++) {
        room[size++] = (uint8_t)*text;
        room[size++] = 0;
    }
    room[0] = (uint8_t)size;
    room[1] = 3;
    *bytes = size;
    return room;
}

const uint8_t *bb_usb_descriptor(uint32_t which, uint8_t *room, uint32_t *bytes) {
    switch (which) {
    case 0x0100: *bytes = sizeof DEVICE; return DEVICE;
    case 0x0200: *bytes = sizeof CONFIGURATION; return CONFIGURATION;
    case 0x0300: *bytes = sizeof LANGUAGES; return LANGUAGES;
    case 0x0301: return text_of("Breakerbench", room, bytes);
    case 0x0302: return text_of("Breakerbench", room, bytes);
    case 0x0303: return text_of(serial, room, bytes);
    default: return NULL;
    }
}
