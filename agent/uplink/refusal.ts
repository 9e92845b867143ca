/** Names in a pack may be as long as the pack; what is said of it is not. */
const longestDetail = 200

/** Why bytes from outside are not believed. Thrown inside the reader only; `readPack` turns it into an Outcome. */
export class Refusal extends Error {
  constructor(
    readonly reason: RefusalReason,
    detail: string,
  ) {
    super(`${reason}: ${detail.slice(0, longestDetail)}`)
  }
}

/** The closed list of reasons, the first word of the fault's detail. */
export type RefusalReason =
  | 'too-long'
  | 'not-brotli'
  | 'not-cbor'
  | 'not-json'
  | 'too-deep'
  | 'too-many-items'
  | 'cut-short'
  | 'not-senml'
  | 'version'
  | 'must-understand'
  | 'bad-name'
  | 'bad-time'
  | 'bad-value'
  | 'twice'
  | 'missing'
  | 'stray-value'
  | 'not-canonical'
  | 'mixed-boots'
