/** Tries the ways to those who are told, and sends nothing by any of them. */
import { tryMailServer } from '../hardware/mail.js'
import { canSend, modemWords } from '../hardware/modem-words.js'
import { tryWebhook } from '../hardware/webhook.js'
import type { DeliverySettings, MailSettings, Settings, SmsSettings } from '../settings/settings.js'
import { item, type CheckItem } from './check-items.js'
import { mailOptions, modemOf, modemPortOf, webhookOptions } from './compose-delivery.js'

/** Who is told, and where what was tried of a PIN is kept. */
type Telling = Pick<Settings, 'delivery'> & { readonly data: Pick<Settings['data'], 'folder'> }

/**
 * @param isRunning who runs by these settings may hold the port of the modem
 * @param runner who that is
 */
export async function tryDelivery(
  settings: Telling,
  isRunning: boolean,
  runner = 'agent',
): Promise<CheckItem[]> {
  const { delivery } = settings
  if (!delivery)
    return [{ what: 'told', well: true, words: 'nobody: alerts stand in status and in the records' }]
  const names = delivery.recipients.map(({ alias }) => alias).join(', ')
  return [
    { what: 'told', well: true, words: names },
    ...(delivery.sms ? [await tryModem(settings, delivery.sms, isRunning && runner)] : []),
    ...(delivery.mail ? [await tryMail(delivery.mail)] : []),
    ...(await tryWebhooks(delivery)),
  ]
}

/** Asks the modem for SIM, network and signal; a PIN is not entered. */
async function tryModem(settings: Telling, sms: SmsSettings, user: string | false): Promise<CheckItem> {
  const modem = modemOf(sms, settings.data.folder, modemPortOf(settings)!)
  if (!modem.ok) return item('modem', '', modem)
  const view = await modem.value.look()
  await modem.value.close()
  if (view.ok)
    return {
      what: 'modem',
      well: canSend(view.value.registration),
      words: modemWords(view.value, 'not used'),
    }
  if (user && view.fault.detail.includes('busy'))
    return { what: 'modem', well: true, words: `the running ${user} uses it now; see its status` }
  return item('modem', '', view)
}

/** Greeting, encryption and login. */
async function tryMail(mail: MailSettings): Promise<CheckItem> {
  const options = mailOptions(mail)
  const tried = options.ok ? await tryMailServer(options.value) : options
  const lets = mail.username === undefined ? 'greets us' : 'lets us in'
  return item('mail', `${mail.server}:${mail.port} ${lets}`, tried)
}

/** Name and connection only; recipients by their alias. */
async function tryWebhooks({ recipients, webhook }: DeliverySettings): Promise<CheckItem[]> {
  const options = webhookOptions(webhook)
  const items: CheckItem[] = []
  for (const { alias, ways } of recipients)
    for (const { to } of ways.filter(({ way }) => way === 'webhook')) {
      const tried = options.ok ? await tryWebhook(to, options.value) : options
      items.push(item('webhook', `that of ${alias} can be reached`, tried))
    }
  return items
}
