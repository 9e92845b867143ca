import { encodeSms, type SmsAlphabet } from '../terms/terms.js'

/** What an own template may stand for: an alert of a measured value raised or back, trouble begun or over, the daily line. */
export const templateKinds = ['raised', 'back', 'trouble', 'over', 'daily'] as const
export type TemplateKind = (typeof templateKinds)[number]

/** Fields in {braces}, what they say, and the longest text that is counted with when a template is checked. */
export const templateFields: Readonly<Record<string, { readonly words: string; readonly longest: string }>> =
  {
    station: { words: 'name of the station', longest: 'station-name-20-long' },
    rule: { words: 'name of the rule', longest: 'pm10-10-minutes-high' },
    what: {
      words: "'PM10', or the trouble in words",
      longest: 'no data from the sensor in slot 2 for 15 min',
    },
    value: { words: 'the figure', longest: 'at least 1000.00' },
    unit: { words: 'its unit', longest: 'ug/m3' },
    average: { words: "'10-min'", longest: '10-min' },
    basis: { words: "'uncorrected' for dust", longest: 'uncorrected' },
    limit: { words: 'the level', longest: '150' },
    back_at: { words: 'the level at which it is over', longest: '120' },
    since: { words: 'since when, by the watch', longest: '24 Nov 2026 14:32' },
    data_capture: { words: "'98%'", longest: '100%' },
    humidity: { words: "'94%'", longest: '100%' },
    fog: { words: "'may be fog', or nothing", longest: 'may be fog' },
    detail: { words: 'more about a trouble', longest: 'nothing since 24 Nov 14:32' },
    first: { words: 'what to do first', longest: 'check plug and supply of the sensor' },
    priority: { words: "'low', 'normal' or 'high'", longest: 'normal' },
    code: { words: 'the code to answer with', longest: 'K7Q4' },
    battery: { words: 'daily line: the battery', longest: '12.74 V, 100%' },
    means: { words: 'daily line: means of 24 hours', longest: 'PM2.5 123.45, PM10 123.45 ug/m3' },
    stations: {
      words: 'daily line of a collector: how its stations stand',
      longest: '12 stations, 9 well; silent: gate; late: mill, weir',
    },
    troubles: { words: 'daily line: what stands', longest: '3 (no data, fan or inlet, low supply)' },
  }

/** Texts and names of fields in turn, a text first. */
export type Template = readonly string[]

export type CheckedTemplate =
  | { readonly ok: true; readonly template: Template; readonly sms: number; readonly alphabet: SmsAlphabet }
  | { readonly ok: false; readonly words: string }

const longestTemplate = 480

/**
 * @returns the template and how many SMS it takes with every field at its longest; or why it cannot be used: an unknown field,
 * a brace without its other one, no word at all
 */
export function checkTemplate(text: string): CheckedTemplate {
  if (text.trim() === '') return { ok: false, words: 'it says nothing' }
  if (text.length > longestTemplate)
    return { ok: false, words: `it is longer than ${longestTemplate} characters` }
  const template = text.split(/\{([^{}]*)\}/)
  if (template.some((piece, index) => index % 2 === 0 && /[{}]/.test(piece)))
    return { ok: false, words: 'a { or } stands without its other one' }
  const unknown = template.find((piece, index) => index % 2 === 1 && !Object.hasOwn(templateFields, piece))
  if (unknown !== undefined)
    return {
      ok: false,
      words: `{${unknown}} is no field; there are: ${Object.keys(templateFields).join(', ')}`,
    }
  const longest = Object.entries(templateFields).map(([field, each]) => [field, each.longest])
  const { parts, alphabet } = encodeSms(rendered(template, Object.fromEntries(longest) as Fields))
  return { ok: true, template, sms: parts.length, alphabet }
}

export type Fields = Readonly<Record<string, string>>

/** What a field has nothing for leaves no second space behind. */
export function rendered(template: Template, fields: Fields): string {
  const text = template.map((piece, index) => (index % 2 === 0 ? piece : (fields[piece] ?? ''))).join('')
  return text
    .replace(/[µμ]g\/m(?:³|3)/g, 'ug/m3')
    .replace(/ {2,}/g, ' ')
    .replace(/ +([.,;:)])/g, '$1')
    .trim()
}
