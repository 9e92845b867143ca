import { z } from 'zod'

/**
 * What a person may write at a key. zod decides whether a value passes; this says in plain words what would have. The two
 * are made together here, so they cannot disagree.
 */
export type Leaf =
  | {
      readonly kind: 'number'
      readonly least: number
      readonly most: number
      readonly whole: boolean
      /** Unit in words, for people: 'seconds', 'V'. */
      readonly unit?: string
      /** Said in place of the plain range where the range has a hole ('0 (off), or 900 to 43200'). */
      readonly allowed?: string
    }
  | {
      readonly kind: 'text'
      readonly allowed: string
      readonly zone?: true
      /** Words of which one was probably meant. */
      readonly near?: readonly string[]
      /** Never shown: somebody may have typed a secret here. */
      readonly veiled?: true
    }
  | { readonly kind: 'choice'; readonly words: readonly (string | number)[] }
  | { readonly kind: 'switch' }
  | { readonly kind: 'list'; readonly least: number; readonly most: number; readonly of: string }
  | { readonly kind: 'group'; readonly keys: readonly string[] }
  | { readonly kind: 'either'; readonly allowed: string }

/** The words that belong to each part of the schema. */
export const leaves = z.registry<Leaf>()

/** Longest text that any key takes, in characters; nothing in the settings is prose. */
export const longestText = 200

const note = <S extends z.ZodType>(schema: S, leaf: Leaf, words: string): S => {
  const described = schema.describe(words)
  leaves.add(described, leaf)
  return described
}

interface Range {
  readonly least: number
  readonly most: number
  readonly unit?: string
}

export const number = (words: string, { least, most, unit }: Range) =>
  note(z.number().min(least).max(most), { kind: 'number', least, most, whole: false, unit }, words)

export const whole = (words: string, { least, most, unit }: Range) =>
  note(z.int().min(least).max(most), { kind: 'number', least, most, whole: true, unit }, words)

/** Zero switches the thing off; anything else lies in the range. */
export const zeroOrWhole = (words: string, { least, most, unit }: Range) =>
  note(
    z.union([z.literal(0), z.int().min(least).max(most)]),
    {
      kind: 'number',
      least,
      most,
      whole: true,
      unit,
      allowed: `0 (off), or a whole number from ${least} to ${most}`,
    },
    words,
  )

/** A number other than zero: a factor of zero would make every value vanish. */
export const factor = (words: string) =>
  note(
    z.union([z.number().min(-1000).lt(0), z.number().gt(0).max(1000)]),
    { kind: 'number', least: -1000, most: 1000, whole: false, allowed: 'a number from -1000 to 1000, not 0' },
    words,
  )

/** Minutes from UTC; every zone of the world lies on a quarter of an hour. */
export const quarterHours = (words: string) =>
  note(
    z.int().min(-720).max(840).multipleOf(15),
    {
      kind: 'number',
      least: -720,
      most: 840,
      whole: true,
      allowed: 'minutes from -720 to 840 in steps of 15 (60 is one hour east of UTC)',
    },
    words,
  )

/** @param allowed completes 'allowed: …'. */
export const text = (
  words: string,
  shape: RegExp,
  allowed: string,
  more: { near?: readonly string[]; veiled?: true } = {},
) => note(z.string().max(longestText).regex(shape), { kind: 'text', allowed, ...more }, words)

/** A zone of the IANA list; whether it exists is looked up beside the schema. */
export const zone = (words: string) =>
  note(
    z
      .string()
      .max(longestText)
      .regex(/^[A-Za-z]/),
    { kind: 'text', allowed: 'a name of the IANA time zone list, such as UTC or Area/City', zone: true },
    words,
  )

export const choice = <const W extends readonly string[]>(words: string, options: W) =>
  note(z.enum(options), { kind: 'choice', words: options }, words)

export const numberChoice = <const W extends readonly number[]>(words: string, options: W) =>
  note(z.literal(options), { kind: 'choice', words: options }, words)

export const onOff = (words: string) => note(z.boolean(), { kind: 'switch' }, words)

export const list = <S extends z.ZodType>(
  words: string,
  item: S,
  [least, most]: [number, number],
  of: string,
) => note(z.array(item).min(least).max(most), { kind: 'list', least, most, of }, words)

export const group = <S extends z.ZodRawShape>(words: string, shape: S) =>
  note(z.strictObject(shape), { kind: 'group', keys: Object.keys(shape) }, words)

/** A map whose keys are words of a closed list, each at most once, at least one. */
export const mapOf = <const K extends readonly [string, ...string[]], S extends z.ZodType>(
  words: string,
  keys: K,
  item: S,
) =>
  note(
    z.partialRecord(z.enum(keys), item).refine((map) => Object.keys(map).length > 0),
    { kind: 'group', keys },
    words,
  )

/** A short form or a long form of the same thing. */
export const either = <A extends z.ZodType, B extends z.ZodType>(
  words: string,
  short: A,
  long: B,
  allowed: string,
) => note(z.union([short, long]), { kind: 'either', allowed }, words)

/** The schema at a path, optional and defaulted wrappers taken off; undefined where the path leaves the schema. */
export function schemaAt(root: z.ZodType, path: readonly PropertyKey[]): z.ZodType | undefined {
  let at: z.ZodType | undefined = unwrap(root)
  for (const step of path) at = at && child(at, step)
  return at
}

export function unwrap(schema: z.ZodType): z.ZodType {
  if (schema instanceof z.ZodOptional || schema instanceof z.ZodDefault || schema instanceof z.ZodPrefault)
    return unwrap(schema.def.innerType as z.ZodType)
  return schema
}

/** The long form of a value that may be written short. */
const longForm = (schema: z.ZodType): z.ZodType | undefined =>
  schema instanceof z.ZodUnion
    ? (schema.options as z.ZodType[]).find((option) => option instanceof z.ZodObject)
    : schema

function child(schema: z.ZodType, step: PropertyKey): z.ZodType | undefined {
  if (schema instanceof z.ZodArray) return unwrap(schema.element as z.ZodType)
  if (schema instanceof z.ZodRecord) return unwrap(schema.valueType as z.ZodType)
  const group = longForm(schema)
  if (!(group instanceof z.ZodObject) || !Object.hasOwn(group.shape, step)) return undefined
  return unwrap((group.shape as z.ZodRawShape)[String(step)] as z.ZodType)
}

export const leafAt = (root: z.ZodType, path: readonly PropertyKey[]): Leaf | undefined => {
  const schema = schemaAt(root, path)
  return schema && leaves.get(schema)
}

/** The keys that a group at this path may hold; none where no group can stand. */
export function keysAt(root: z.ZodType, path: readonly PropertyKey[]): readonly string[] {
  const schema = schemaAt(root, path)
  const group = schema && longForm(schema)
  const leaf = group && leaves.get(group)
  return leaf?.kind === 'group' ? leaf.keys : []
}
