/** Zones are told by the terms: who reads a store needs them without the schema. */
export { isZone, lowestOffsetMinutes, nearestZone } from '../terms/terms.js'
