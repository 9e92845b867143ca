/**
 * Values that must not be found anywhere but where they were written: which keys of the settings hold such, found from the schema
 * itself, and how to look for a value whatever it was written as.
 */

/** Keys whose text says who somebody is or where they are reached, opens something, or may hold such: a value for each. */
export type Plant = (mark: string) => string

const word: Plant = (mark) => mark
const path: Plant = (mark) => `/run/${mark}/kept`

/** Of a station; every key of its schema that takes a text is here or in `shownTexts` of the settings. */
export const hiddenTexts: Readonly<Record<string, Plant>> = {
  'instruments[].power_cycle.command[]': word,
  'instruments[].power_switch.on[]': word,
  'instruments[].power_switch.off[]': word,
  'power.modem.switch.on[]': word,
  'power.modem.switch.off[]': word,
  'power.board_off.command[]': word,
  'power.board_off.wake_switch[]': word,
  'uplink.url': (mark) => `mqtts://${mark}.example.org:8883`,
  'uplink.client_id': word,
  'uplink.username': word,
  'uplink.password_file': path,
  'uplink.ca_file': path,
  'uplink.cert_file': path,
  'uplink.key_file': path,
  'uplink.ladder[].command[]': word,
  'delivery.recipients[].ways[].to': (mark) => `https://${mark}.example.org/${mark}`,
  'delivery.sms.pin_file': path,
  'delivery.mail.server': (mark) => `${mark}.example.org`,
  'delivery.mail.username': word,
  'delivery.mail.password_file': path,
  'delivery.mail.from': (mark) => `${mark}@example.org`,
  'delivery.mail.ca_file': path,
  'delivery.webhook.secret_file': path,
  'delivery.webhook.ca_file': path,
  'delivery.templates.raised': word,
  'delivery.templates.back': word,
  'delivery.templates.trouble': word,
  'delivery.templates.over': word,
  'delivery.templates.daily': word,
  'site.permission': word,
  'site.photos[]': word,
}

/** Of a collector, beside its block `delivery`. */
export const hiddenCollectorTexts: Readonly<Record<string, Plant>> = {
  'broker.url': hiddenTexts['uplink.url'],
  'broker.username': word,
  'broker.password_file': path,
  'broker.ca_file': path,
  'postgres.host': (mark) => `${mark}.example.org`,
  'postgres.database': word,
  'postgres.user': word,
  'postgres.password_file': path,
  'postgres.ca_file': path,
}
export const shownCollectorTexts = ['collector.group', 'collector.archive', 'collector.time_zone']

// ---- keys of a schema -------------------------------------------------------------------------------------------------

interface Schema {
  readonly type?: string
  readonly enum?: readonly unknown[]
  readonly const?: unknown
  readonly minimum?: number
  readonly maximum?: number
  readonly description?: string
  readonly properties?: Readonly<Record<string, Schema>>
  readonly items?: Schema
  readonly additionalProperties?: Schema | boolean
  readonly propertyNames?: Schema
  readonly anyOf?: readonly Schema[]
}

export interface SchemaLeaf {
  /** 'alerts[].above' */
  readonly key: string
  readonly schema: Schema
}

/** Every key that holds no other, by the JSON Schema that editors read. */
export const leavesOf = (jsonSchemaText: string): SchemaLeaf[] => leaves(JSON.parse(jsonSchemaText), '')

function leaves(schema: Schema, key: string): SchemaLeaf[] {
  const { properties, items, anyOf, additionalProperties: any, propertyNames } = schema
  if (properties)
    return Object.entries(properties).flatMap(([name, one]) => leaves(one, key ? `${key}.${name}` : name))
  if (items) return leaves(items, `${key}[]`)
  if (anyOf) return anyOf.flatMap((one) => leaves(one, key))
  if (typeof any === 'object')
    return (propertyNames?.enum ?? []).flatMap((name) => leaves(any, `${key}.${String(name)}`))
  if (schema.type === undefined && !schema.enum && schema.const === undefined)
    throw new Error(`${key}: a form that this walk does not know`)
  return [{ key, schema }]
}

export const isText = ({ schema }: SchemaLeaf): boolean =>
  schema.type === 'string' && schema.enum === undefined && schema.const === undefined

/** A number that may tell a place: in degrees, or of their range. */
export const mayTellPlace = ({ key, schema: { type, minimum, maximum } }: SchemaLeaf): boolean =>
  (type === 'number' || type === 'integer') &&
  (/_deg$|(^|[._])(lat|lon|latitude|longitude|east|north|position|place)(_|$)/.test(key) ||
    (minimum !== undefined && maximum !== undefined && minimum === -maximum && maximum <= 180))

// ---- planting -----------------------------------------------------------------------------------------------------------

/** A copy in which each text at a hidden key is another that is found at once; the marks by key. */
export function planted(
  file: unknown,
  hidden: Readonly<Record<string, Plant>>,
): { readonly file: unknown; readonly marks: ReadonlyMap<string, string> } {
  const marks = new Map<string, string>()
  const copy = (value: unknown, key: string): unknown => {
    if (Array.isArray(value)) return value.map((one) => copy(one, `${key}[]`))
    if (typeof value === 'object' && value !== null)
      return Object.fromEntries(
        Object.entries(value).map(([name, one]) => [name, copy(one, key ? `${key}.${name}` : name)]),
      )
    const plant = hidden[key]
    if (typeof value !== 'string' || plant === undefined) return value
    const mark = `zq${marks.size}planted${key.replace(/[^a-z]/g, '')}`
    marks.set(key, mark)
    return plant(mark)
  }
  return { file: copy(file, ''), marks }
}

// ---- looking ------------------------------------------------------------------------------------------------------------

const hexOf = (text: string): string => Buffer.from(text).toString('hex')

/** What base64 makes of a text wherever it stands among other bytes: the middle that does not depend on its neighbours. */
function base64Middles(text: string): string[] {
  const bytes = Buffer.from(text)
  return [0, 1, 2].flatMap((before) => {
    const encoded = Buffer.concat([Buffer.alloc(before), bytes])
      .toString('base64')
      .replace(/=+$/, '')
    const cut = (before + bytes.length) % 3 === 0 ? encoded.length : encoded.length - 1
    const middle = encoded.slice(before === 0 ? 0 : before + 1, cut)
    return [middle, middle.replaceAll('+', '-').replaceAll('/', '_')]
  })
}

const percentOf = (text: string): string =>
  [...Buffer.from(text)].map((byte) => `%${byte.toString(16).padStart(2, '0')}`).join('')

/** As it stands, in JSON, percent-encoded by need or wholly, hex; in small letters. */
const folded = (text: string): string[] =>
  [text, JSON.stringify(text).slice(1, -1), encodeURIComponent(text), percentOf(text), hexOf(text)].map(
    (one) => one.toLowerCase(),
  )

/** Which of the secrets stand in these bytes, and in what form. */
export class SecretSearch {
  private readonly forms: readonly { name: string; folded: string[]; exact: string[] }[]

  constructor(secrets: Readonly<Record<string, string>>) {
    this.forms = Object.entries(secrets).map(([name, text]) => {
      if (text.length < 5) throw new Error(`${name}: '${text}' is found by chance`)
      return { name, folded: [...new Set(folded(text))], exact: [...new Set(base64Middles(text))] }
    })
  }

  /** Names of those that are found. */
  in(content: string | Uint8Array): string[] {
    const text = typeof content === 'string' ? content : Buffer.from(content).toString('latin1')
    const small = text.toLowerCase()
    return this.forms
      .filter(
        (form) =>
          form.folded.some((one) => small.includes(one)) || form.exact.some((one) => text.includes(one)),
      )
      .map(({ name }) => name)
  }
}
