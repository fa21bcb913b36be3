/* Where things lie in non-volatile memory. Each cell of a ring is written once each time round. */
#ifndef SX_LAYOUT_H
#define SX_LAYOUT_H

#define SX_NV_HEADER 0 /* 4 bytes: this layout is in force */
#define SX_NV_TAGS 4   /* a byte each prop: anything but SX_UNTAGGED means tagged */
#define SX_NV_LIVES (SX_NV_TAGS + SX_PROPS) /* life, checksum */
#define SX_ITEM_BYTES 6
#define SX_NV_BOOTS (SX_NV_LIVES + SX_PROPS * SX_ITEM_BYTES) /* counter, checksum */
#define SX_NV_STROKES (SX_NV_BOOTS + SX_BOOT_SLOTS * SX_ITEM_BYTES) /* sequence, totals, checksum */
#define SX_STROKE_BYTES (2 + 4 * SX_OUTPUTS + 2)
#define SX_NV_RECORDS (SX_NV_STROKES + SX_STROKE_SLOTS * SX_STROKE_BYTES)
#define SX_HEAD_BYTES 13 /* number 3, boot 2, ms 4, sequence and trigger 1, held 1, checksum 2 */
#define SX_TAIL_BYTES (3 + 2 * SX_TRAVELS + 2) /* duration and outcome, travels, checksum */
#define SX_RECORD_BYTES (SX_HEAD_BYTES + SX_TAIL_BYTES)
#define SX_NV_BYTES (SX_NV_RECORDS + SX_PROPS * SX_RECORDS * SX_RECORD_BYTES)

#define SX_UNTAGGED 0x5Au
#define SX_TAGGED 0xA5u
#define SX_LARGEST_NUMBER 0xFFFFFFUL

#endif
