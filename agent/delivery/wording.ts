/**
 * What a person reads: an SMS that fits one message where it can, a mail with what it means and what to do first, the facts
 * for a program. A notice with `channel` among its facts is a value past its level, any other is a trouble in `words`.
 *
 * Facts of a value: channel, average, value, above or below (the level), back_at, data_capture_percent, humidity_percent.
 * Facts of a trouble: words, and where they are: detail, first (what to do first), value with unit.
 * Facts of the daily line: means, data_capture_percent, battery, troubles; each may be missing. Of that of a collector: stations,
 * not_well, troubles.
 */
import { encodeSms, utcText, type UtcMillis } from '../terms/terms.js'
import type { Composed, Notice, Priority, Recipient, TellerWord, Telling, WayName } from './contracts.js'
import { mailText } from './mail-words.js'
import { plainWords } from './plain-words.js'
import { quantityWords, unitOf } from './quantity-words.js'
import { fitted, shortened, type Piece } from './sms-fit.js'
import { rendered, type Fields, type Template, type TemplateKind } from './templates.js'
import { Watch, type WatchPlace } from './watch-words.js'

export interface WordingOptions {
  /** Of the station, or of the group that a collector tells of. */
  readonly station: string
  readonly teller: TellerWord
  readonly group: string
  readonly place: WatchPlace
  /** Own texts, as `checkTemplate` gave them. */
  readonly templates?: Readonly<Partial<Record<TemplateKind, Template>>>
}

/** From this relative humidity on a high value of dust may be fog. */
export const fogFromPercent = 90
const longName = 24
const shortestName = 12
const longDetail = 40

export class Wording {
  readonly watch: Watch

  /** @param utcNow undefined while the clock is not trusted */
  constructor(
    private readonly options: WordingOptions,
    private readonly utcNow: () => UtcMillis | undefined,
  ) {
    this.watch = new Watch(options.place)
  }

  compose(notice: Notice, way: WayName, recipient: Recipient, telling: Telling): Composed {
    const text = this.sentence(plain(notice), plainTelling(telling), way === 'sms')
    const facts = this.facts(notice, telling)
    if (way === 'sms') return { subject: '', text, facts, parts: encodeSms(text).parts.length }
    const subject = shortened(this.headline(notice, telling), 120)
    if (way === 'webhook') return { subject, text, facts }
    return { subject, text: mailText(text, notice, telling, recipient, this.options), facts }
  }

  private sentence(notice: Notice, telling: Telling, mustFit: boolean): string {
    const own = this.ownText(notice, telling)
    const pieces = own ? [{ text: own }, ...asides(telling)] : this.pieces(notice, telling)
    return mustFit ? fitted(pieces) : pieces.map(({ text }) => text).join('')
  }

  private ownText(notice: Notice, telling: Telling): string | undefined {
    const template = this.options.templates?.[kindOfNotice(notice)]
    const isOwn = template && !telling.raised && notice.rule !== 'summary' && notice.rule !== 'test'
    return isOwn ? rendered(template, this.fields(notice, telling)) : undefined
  }

  private pieces(notice: Notice, telling: Telling): readonly Piece[] {
    const name = plainWords(this.options.station)
    const [short, least] = [longName, shortestName].map((most) => `${shortened(name, most)}: `)
    const station = { text: `${name}: `, rank: 1, short, least }
    const code = { text: ` Code ${telling.code}` }
    if (notice.rule === 'test') return [station, { text: `test message, sent ${this.now()}. All is well.` }]
    if (notice.rule === 'daily') return [station, ...this.daily(notice)]
    if (notice.rule === 'summary') return [station, ...this.summary(telling), ...asides(telling), code]
    const body =
      notice.facts.channel === undefined ? this.trouble(notice, telling) : this.value(notice, telling)
    return [station, ...body, ...asides(telling), code]
  }

  // ---- a value past its level -----------------------------------------------------------------------------------------

  private value(notice: Notice, telling: Telling): readonly Piece[] {
    const { raised } = telling
    if (notice.state !== 'over') return [...this.beyond(notice), ...quality(notice.facts)]
    const [back, mean] = this.back(notice)
    if (!raised)
      return [{ text: `${levelFacts(notice.facts).what} ${back}${mean}.` }, ...quality(notice.facts)]
    const was = levelFacts(raised.facts)
    const from = this.sinceWords(raised, 'from')
    return [
      { text: `${was.what} ${was.average} mean was ${was.side} ${was.limit} ${was.unit}${from}` },
      { text: ` (${raised.facts.value}${was.uncorrected})`, rank: 2 },
      { text: `, ${back}` },
      { text: mean, rank: 3 },
      { text: '.' },
      ...quality(notice.facts),
    ]
  }

  private beyond(notice: Notice): readonly Piece[] {
    const level = levelFacts(notice.facts)
    const value = `${level.what} ${level.average} mean ${notice.facts.value ?? '?'} ${level.unit}`
    return [
      {
        text: `${value}${level.uncorrected}, ${level.side} ${level.limit}${this.sinceWords(notice, 'since')}.`,
      },
    ]
  }

  /** For a rule that watches for low values 'back above': never 'all clear' for what was low to begin with. */
  private back(notice: Notice): readonly [back: string, mean: string] {
    const { value = '?', back_at } = notice.facts
    const { average, side, limit, unit, uncorrected } = levelFacts(notice.facts)
    const to = `back ${side === 'above' ? 'below' : 'above'} ${back_at ?? limit}`
    return [`${to}${this.sinceWords(notice, 'since')}`, ` (${average} mean ${value} ${unit}${uncorrected})`]
  }

  // ---- trouble ----------------------------------------------------------------------------------------------------------

  private trouble({ state, facts, ...rest }: Notice, { raised }: Telling): readonly Piece[] {
    const words = facts.words ?? rest.rule
    const since = this.sinceWords(rest, 'since')
    if (state === 'over') {
      const from = raised ? this.sinceWords(raised, 'from') : ''
      return [{ text: raised ? `${words}${from}; over${since}.` : `over${since}: ${words}.` }]
    }
    return [{ text: `${words}${since}` }, ...detailPieces(facts), ...firstThing(facts)]
  }

  // ---- several, and every day -------------------------------------------------------------------------------------------

  private summary({ summary = [] }: Telling): readonly Piece[] {
    const each = summary.map((notice) => shortened(this.short(notice), longDetail))
    return [
      { text: `${summary.length} alerts: ` },
      ...each.map((text, i) => ({ text: i === 0 ? text : `; ${text}`, rank: i < 2 ? 0 : i, short: '' })),
      { text: '.' },
    ]
  }

  private short({ state, facts, rule }: Notice): string {
    if (facts.channel === undefined) return `${state === 'over' ? 'over: ' : ''}${facts.words ?? rule}`
    const { what, side, limit } = levelFacts(facts)
    if (state === 'over')
      return `${what} back ${side === 'above' ? 'below' : 'above'} ${facts.back_at ?? limit}`
    return `${what} ${facts.value ?? '?'}, ${side} ${limit}`
  }

  private daily({ facts }: Notice): readonly Piece[] {
    if (this.options.teller === 'collector') return this.dailyOfGroup(facts)
    const { means, data_capture_percent: data, battery, troubles } = facts
    return [
      { text: `alive ${this.now()}.` },
      { text: means ? ` 24-h mean ${means} uncorrected` : ' no 24-h mean' },
      { text: data === undefined ? '.' : `, data ${data}%.` },
      { text: battery ? ` Battery ${battery}.` : '', rank: 1, short: ` ${battery}.`, least: '' },
      {
        text: troubles ? ` Trouble: ${troubles}.` : ' No trouble.',
        rank: 1,
        short: troubles ? ' Trouble.' : '',
      },
    ]
  }

  private dailyOfGroup({ stations, not_well: others, troubles }: Notice['facts']): readonly Piece[] {
    return [
      { text: `collector alive ${this.now()}. ${stations ?? 'no station'}` },
      { text: others ? `; ${others}.` : '.', rank: 2, short: '.' },
      {
        text: troubles ? ` Trouble of the collector: ${troubles}.` : '',
        rank: 1,
        short: troubles ? ' Trouble of the collector.' : '',
      },
    ]
  }

  // ---- for mails and programs ---------------------------------------------------------------------------------------------

  private headline(notice: Notice, telling: Telling): string {
    const { station } = this.options
    if (notice.rule === 'test') return `${station}: test message`
    if (notice.rule === 'daily') return `${station}: alive`
    if (notice.rule === 'summary') return `${station}: ${telling.summary?.length ?? 0} alerts`
    return `${station}: ${this.short(notice)}`
  }

  private facts(notice: Notice, telling: Telling): Readonly<Record<string, unknown>> {
    const { rule, state, priority, since, id, facts } = notice
    const { code, raised, chatters, acknowledgedBy, summary } = telling
    const now = this.utcNow()
    return {
      v: 1,
      station: this.options.station,
      group: this.options.group,
      number: id,
      rule,
      state,
      priority: priority satisfies Priority,
      code,
      ...(since === undefined ? {} : { since: utcText(since) }),
      ...(now === undefined ? {} : { sent: utcText(now) }),
      ...(raised?.since === undefined ? {} : { raised_since: utcText(raised.since) }),
      ...(chatters === undefined ? {} : { chatters }),
      ...(acknowledgedBy === undefined ? {} : { acknowledged_by: acknowledgedBy }),
      facts,
      ...(summary
        ? { alerts: summary.map((each) => ({ rule: each.rule, state: each.state, facts: each.facts })) }
        : {}),
    }
  }

  private fields(notice: Notice, { code }: Telling): Fields {
    const { facts, rule, priority } = notice
    const level = levelFacts(facts)
    const plain = Object.entries({
      ...facts,
      station: this.options.station,
      rule,
      priority,
      stations: [facts.stations, facts.not_well].filter((text) => text !== undefined).join('; '),
      what: facts.channel === undefined ? (facts.words ?? rule) : level.what,
      unit: facts.unit ?? level.unit,
      basis: level.uncorrected.trim(),
      limit: level.limit,
      since: this.sinceWords(notice, ''),
      data_capture: facts.data_capture_percent === undefined ? '' : `${facts.data_capture_percent}%`,
      humidity: facts.humidity_percent === undefined ? '' : `${facts.humidity_percent}%`,
      fog: mayBeFog(facts) ? 'may be fog' : '',
      code,
    }).map(([field, text]) => [field, plainWords(text)])
    return Object.fromEntries(plain) as Fields
  }

  private sinceWords({ since }: { readonly since?: UtcMillis }, word: 'since' | 'from' | ''): string {
    if (since === undefined) return ''
    return `${word === '' ? '' : ` ${word} `}${this.watch.words(since, this.utcNow())}`
  }

  private now(): string {
    const now = this.utcNow()
    return now === undefined ? 'at a time not known' : this.watch.words(now, undefined)
  }
}

const plain = (notice: Notice): Notice => ({
  ...notice,
  rule: plainWords(notice.rule),
  facts: Object.fromEntries(Object.entries(notice.facts).map(([key, text]) => [key, plainWords(text)])),
})

const plainTelling = ({ raised, summary, acknowledgedBy, ...rest }: Telling): Telling => ({
  ...rest,
  ...(raised ? { raised: plain(raised) } : {}),
  ...(summary ? { summary: summary.map(plain) } : {}),
  ...(acknowledgedBy === undefined ? {} : { acknowledgedBy: plainWords(acknowledgedBy) }),
})

function kindOfNotice({ rule, state, facts }: Notice): TemplateKind {
  if (rule === 'daily') return 'daily'
  if (facts.channel === undefined) return state === 'over' ? 'over' : 'trouble'
  return state === 'over' ? 'back' : 'raised'
}

function levelFacts(facts: Fields) {
  const { channel = '', average = '', above, below } = facts
  const unit = plainWords(unitOf(channel))
  const uncorrected = unit === 'ug/m3' ? ' uncorrected' : ''
  const side = above === undefined && below !== undefined ? 'below' : 'above'
  return {
    what: quantityWords(channel),
    average,
    unit,
    uncorrected,
    side,
    limit: above ?? below ?? '?',
  } as const
}

const mayBeFog = ({ channel = '', humidity_percent: humidity }: Fields): boolean =>
  unitOf(channel) === 'ug/m3' && Number(humidity ?? NaN) >= fogFromPercent

function quality(facts: Fields): readonly Piece[] {
  const { data_capture_percent: data, humidity_percent: humidity } = facts
  return [
    { text: data === undefined ? '' : ` Data ${data}%.`, rank: 4 },
    {
      text: mayBeFog(facts) ? ` RH ${humidity}%, may be fog.` : '',
      rank: 2,
      short: ' May be fog.',
      least: '',
    },
  ]
}

function detailPieces({ detail, value, unit }: Fields): readonly Piece[] {
  const words = [value === undefined ? '' : `${value} ${unit ?? ''}`, detail ?? '']
  const said = words.filter((text) => text !== '').join(', ')
  if (said === '') return [{ text: '.' }]
  return [{ text: ended(`: ${said}`), rank: 3, short: ended(`: ${shortened(said, longDetail)}`), least: '.' }]
}

const ended = (text: string): string => (text.endsWith('.') ? text : `${text}.`)

const firstThing = ({ first }: Fields): readonly Piece[] =>
  first === undefined ? [] : [{ text: ` First: ${first}.`, rank: 9 }]

/** What else must be known of this message. */
function asides({ chatters, acknowledgedBy, lastToday }: Telling): readonly Piece[] {
  const often = ` Raised ${chatters} times, told no more until it is quiet.`
  return [
    { text: chatters === undefined ? '' : often, rank: 2, short: ' Comes and goes.' },
    { text: acknowledgedBy === undefined ? '' : ` Acknowledged by ${acknowledgedBy}.`, rank: 5 },
    { text: lastToday === true ? ' Last SMS today.' : '', rank: 1, short: ' Last today.' },
  ]
}
