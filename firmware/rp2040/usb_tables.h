/* What the board tells the host of itself. */
#ifndef BB_USB_TABLES_H
#define BB_USB_TABLES_H

#include <stdint.h>

void bb_usb_serial(const char *serial);

/* The descriptor of this number (type, index); its size goes into `bytes`. Strings are made in `room`, of 64
 * bytes. NULL: there is none. */
const uint8_t *bb_usb_descriptor(uint32_t which, uint8_t *room, uint32_t *bytes);

#endif
