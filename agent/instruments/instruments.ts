/**
 * instruments: from the bytes of a sensor line to readings, for any instrument that a layout file describes.
 *
 * In: a layout (data, config/instruments/*.yaml, already parsed) and the bytes of the line in whatever pieces they came.
 * Out: for each frame with a right checksum, in order, its values in the channels' units and its error code; answers to
 * commands; counts in which every byte and frame is found again. Beside it: the bytes of commands, which layout some
 * bytes have (`recognise`), and the text form of recordings.
 * Assumed: the bytes come in order. Nothing is assumed of their cutting, of what stands before or between the frames,
 * or of what a frame claims about its own length.
 * Refused: bytes in no frame, given up one at a time so that a good frame after or inside a bad one is found; all are
 * counted by reason. At most one frame is held, in a buffer that never grows.
 * Not done here: whether a value is believable. A right checksum is not yet a fact; `sizeOrder` tells screening what
 * must hold. Text lines have no checksum at all and are believed only whole.
 *
 * Framings are code (framing-*.ts), layouts are data: a new sensor is a new file in config/instruments and a recording.
 */
export * from './commands.js'
export * from './decoder.js'
export type { OrderedPairs } from './fields.js'
export { readingBytes } from './framing.js'
export * from './layout.js'
export { groupNames, linePattern } from './read-framing.js'
export { readLayout, type LayoutRead } from './read-layout.js'
export * from './recognise.js'
export * from './recording.js'
export type { LayoutFault } from './shape.js'
export { stuff, stuffedFrame } from './framing-stuffed.js'
export { unitsOf } from './units.js'
