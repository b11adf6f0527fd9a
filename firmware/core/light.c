#include "light.h"

#include "inputs.h"

#define SIXTEENTH (BB_CLOCK_HZ / 16)

int bb_light(bb_light_state state, uint64_t clock) {
    uint32_t at = (uint32_t)(clock / SIXTEENTH % 32); /* sixteenths of a second within two */
    switch (state) {
    case BB_LIGHT_SHOWING:
        return at % 2 == 0;
    case BB_LIGHT_FAULTY:
        return at < 12 && at % 4 < 2;
    case BB_LIGHT_CAPTURING:
        return at % 16 < 8;
    case BB_LIGHT_GREETED:
        return 1;
    case BB_LIGHT_ALONE:
        break;
    }
    return at < 2;
}
