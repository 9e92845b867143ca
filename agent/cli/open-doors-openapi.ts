/** The OpenAPI 3.1 document of the open doors; a test holds every answer against it. */
import { standingStates } from './stations-status-shape.js'

type Schema = Readonly<Record<string, unknown>>

const text: Schema = { type: 'string' }
const number: Schema = { type: 'number' }
const count: Schema = { type: 'integer', minimum: 0 }
const time: Schema = { type: 'string', format: 'date-time' }
const orNull = (schema: Schema): Schema => ({ ...schema, type: [schema.type, 'null'] })
const listOf = (items: Schema): Schema => ({ type: 'array', items })
const rounded = 'Rounded to 0.01 deg.'
const counts: Schema = { type: 'object', additionalProperties: count }

/** All keys are there unless named as optional, and no others. */
const object = (properties: Record<string, Schema>, optional: readonly string[] = []): Schema => ({
  type: 'object',
  properties,
  required: Object.keys(properties).filter((key) => !optional.includes(key)),
  additionalProperties: false,
})

const taking = object({ taken: count, given: count, held: count, refused: counts })

const ref = (name: string): Schema => ({ $ref: `#/components/schemas/${name}` })

const schemas: Record<string, Schema> = {
  Problem: object({ status: { type: 'integer' }, detail: text }),
  Reason: object({ code: text, words: text, first_thing: text, since: time }, ['first_thing', 'since']),
  Standing: object({
    station: text,
    state: { enum: standingStates },
    shape: text,
    reasons: listOf(ref('Reason')),
    heard_at: orNull(time),
    health_at: orNull(time),
    capture_percent: orNull(number),
    charge_percent: orNull(number),
    days_to_reserve: orNull(number),
    plan: orNull(text),
    budget_percent: orNull(number),
    clock_error_s: orNull(number),
    clock_offset_s: orNull({ ...number, description: 'Measured; positive: ahead.' }),
    backlog_lines: orNull(number),
    stores: listOf(text),
    software: orNull(text),
    refused: counts,
  }),
  Stations: object(
    {
      v: { const: 1 },
      at: orNull(time),
      group: orNull(text),
      collector_runs: { type: 'boolean' },
      stations: listOf(ref('Standing')),
      packs: taking,
      reports: taking,
      refused_lately: listOf(object({ topic: text, reason: text })),
      lines: object({ added: count, doubles: count, conflicts: count, refused: count }),
      postgres: object({ state: text, stores_waiting: count, behind_s: number }),
      faults: listOf(ref('Reason')),
    },
    ['packs', 'reports', 'lines', 'postgres', 'faults'],
  ),
  Registered: object({
    station: text,
    name: orNull(text),
    latitude: orNull({ ...number, description: rounded, minimum: -90, maximum: 90 }),
    longitude: orNull({ ...number, description: rounded, minimum: -180, maximum: 180 }),
    height_m: orNull(number),
    sources: listOf(object({ name: text, bearing_deg: number, distance_m: number }, ['distance_m'])),
    deployments: listOf(object({ place: text, from: text, to: text }, ['to'])),
  }),
  Station: object({
    v: { const: 1 },
    station: text,
    standing: { anyOf: [ref('Standing'), { type: 'null' }] },
    registered: { anyOf: [ref('Registered'), { type: 'null' }] },
  }),
  Averages: {
    type: 'object',
    description: 'What motepost averages --json prints.',
    properties: {
      v: { const: 1 },
      station: text,
      store: text,
      series: listOf({
        type: 'object',
        properties: { channel: text, unit: text, periods: listOf({ type: 'object' }) },
        required: ['channel', 'unit', 'periods', 'days'],
      }),
    },
    required: ['v', 'station', 'store', 'series'],
  },
}

const answers = (type: string, schema: Schema): Schema => ({
  200: { description: 'As asked.', content: { [type]: { schema } } },
  default: {
    description: 'Refused, in words.',
    content: { 'application/problem+json': { schema: ref('Problem') } },
  },
})

const inQuery = (name: string, description: string, schema: Schema = text): Schema => ({
  ...{ name, in: 'query', description, schema },
})

const station: Schema = { name: 'station', in: 'path', required: true, schema: text }
const span = [
  inQuery('from', "First: 2026-03-01, '2026-03-01 08:30' (local standard time) or 2026-03-01T07:30Z."),
  inQuery('to', 'Not included; of a day the whole day.'),
  inQuery('channel', 'A channel; several with commas between, or all.'),
  inQuery('zone', 'Region/City or +01:00; as the store tells.'),
  inQuery('store', 'Id of the store, where the station has several.'),
]

const get = (summary: string, parameters: readonly Schema[], responses: Schema): Schema => ({
  get: { summary, ...(parameters.length > 0 ? { parameters } : {}), responses },
})

const csvOrSenml: Schema = {
  200: {
    description: 'As asked.',
    content: {
      'text/csv': { schema: text },
      'application/senml+json': { schema: listOf({ type: 'object' }) },
    },
  },
  default: answers('', {}).default,
}

export const openApi = (): string =>
  JSON.stringify({
    openapi: '3.1.0',
    info: {
      title: 'Motepost collector',
      version: '1',
      description: 'Read only. Positions are rounded to 0.01 deg.',
      license: { name: 'MIT', identifier: 'MIT' },
    },
    paths: {
      '/stations': get(
        'How every station stands, worst first.',
        [],
        answers('application/json', ref('Stations')),
      ),
      '/stations/{station}': get('One station.', [station], answers('application/json', ref('Station'))),
      '/stations/{station}/averages': get(
        'Hours, rolling 24 h and days; of the last two days unless asked.',
        [station, ...span],
        answers('application/json', ref('Averages')),
      ),
      '/stations/{station}/records': get(
        'Records as CSV or SenML (RFC 8428).',
        [
          station,
          inQuery('of', 'What each row is.', { enum: ['minutes', 'hours', 'days'], default: 'minutes' }),
          inQuery('format', 'Form of the answer.', { enum: ['csv', 'senml'], default: 'csv' }),
          ...span,
        ],
        csvOrSenml,
      ),
      '/metrics': get('OpenMetrics 1.0 text.', [], answers('application/openmetrics-text', text)),
      '/openapi.json': get('This document.', [], answers('application/json', { type: 'object' })),
    },
    components: {
      schemas,
      securitySchemes: { password: { type: 'http', scheme: 'basic', description: 'Any user name.' } },
    },
    security: [{}, { password: [] }],
  })
